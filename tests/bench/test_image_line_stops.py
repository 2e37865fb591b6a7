"""What stops over the line, on the real image: stop frames, breaks, leases that end; and what does
not.

The bounds are the project's own, and PROTOCOL.md's. 16 cycles are a microsecond.
"""

import pytest

from firmware_protocol.catalogue import Cause
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Reset, Status, Stop
from tests.bench.bench import BYTE_CYCLES, CYCLES_PER_MS, CYCLES_PER_US
from tests.bench.image_bench import ImageBench, slot
from tests.bench.stopping import (
    BUSY,
    stays_dark_and_tripped,
)

pytestmark = pytest.mark.long


LOADS: dict[str, tuple[tuple[float, ...], int, dict[str, int]]] = {
    "busy": ((71, 83, 97, 113), 300, {}),
    "at the ceilings": ((471, 473, 477, 479), 118, {}),
    "gliding": ((471, 473, 477, 479), 118, {"step": 2}),
    "spread": ((471, 473, 477, 479), 118, {"spread": 100}),
}
"""Hertz of the four voices of each output, on-time in ticks, and more of the slots."""


@pytest.mark.parametrize("rounds", [0, 3], ids=["line idle", "line full"])
@pytest.mark.parametrize("load", LOADS)
def test_stop_frame(
    armed: ImageBench, load: str, rounds: int, request: pytest.FixtureRequest
) -> None:
    """At many phases of busy outputs (`--long-bench`: every 6 us); `line full`: at the end of 15 ms
    or more without a pause, in which every voice was bent in every frame. No byte is lost."""
    rates, on, more = LOADS[load]
    notes = [
        tuple(slot(bend * 2e6 / hz, on, start=1, **more) for hz in rates)
        for bend in (1, 1.01, 1.02)
    ]
    armed.play(o0=notes[0], o1=notes[0], o2=notes[0], o3=notes[0])
    armed.run_for(15 * CYCLES_PER_MS)
    begin = armed.keep()
    late: list[int] = []
    for phase in range(0, 160_000, 97 if request.config.getoption("--long-bench") else 3_001):
        armed.back_to(begin)
        armed.run_for(phase)
        for k in range(rounds):
            bent = notes[(k + 1) % 3]
            armed.play(o0=bent, o1=bent, o2=bent, o3=bent)
        end = armed.send(Stop(1))
        armed.run_to(end + 3 * CYCLES_PER_MS)
        fall = armed.last_fall(end)
        late.append(0 if fall is None else fall - end)
        assert [p for p in armed.pulses() if p.start_cycle > end + CYCLES_PER_MS] == []
        assert armed.peek("uart_lost", 1) == b"\0"
    print(f"stop frame, {load}, {rounds}: worst {max(late) / 16:.1f} us after its last byte")
    assert max(late) <= CYCLES_PER_MS
    if load == "busy":
        assert any(late)  # there was light to be stopped
    stays_dark_and_tripped(armed, Cause.HOST_STOP, armed.now)


def test_stop_frame_while_the_main_loop_stands(armed: ImageBench) -> None:
    """The interrupt that received it makes dark by itself, within 128 us and what it waits for."""
    armed.play(o0=BUSY, o1=BUSY, o2=BUSY, o3=BUSY)
    armed.run_for(20 * CYCLES_PER_MS)
    begin = armed.keep()
    lit = 0
    for phase in range(0, 60_000, 2_003):
        armed.back_to(begin)
        end = armed.send(Stop(phase & 0xFF), at=armed.now + phase)
        armed.wedge_at(end - 100, "open main")
        armed.run_to(end + 10 * CYCLES_PER_MS)
        fall = armed.last_fall(end)
        lit += fall is not None
        assert fall is None or fall - end <= 3_000
        assert [p for p in armed.pulses() if p.start_cycle > end + 3_000] == []
    assert lit >= 3


def test_what_is_no_good_stop_frame_stops_nothing(armed: ImageBench) -> None:
    """A wrong CRC; a byte broken on the line, in the frame or right before it; the end of a longer
    frame: dropped and counted, as the page says, and the notes go on."""
    good = encode_frame(Stop.TYPE, 7, Stop(1).payload())
    armed.play(o0=BUSY)
    armed.run_for(20 * CYCLES_PER_MS)
    begin = armed.keep()
    bad_crc = good[:-2] + bytes([good[-2] ^ 1]) + good[-1:]
    # the data of a long block may look like a stop frame, but for the 0x00 before it
    longer = b"\x0b\x01\x02\x03" + good[:-1] + b"\0"
    for name, wire, broken in (
        ("crc", b"\0" + bad_crc, None),
        ("broken in it", b"\0" + good, 4),
        ("broken before it", b"\0\x55" + good, 1),
        ("longer", b"\0" + longer, None),
    ):
        armed.back_to(begin)
        at = armed.now
        end = armed.bytes_at(at, wire)
        if broken is not None:
            stop_bit = at + broken * BYTE_CYCLES + BYTE_CYCLES - 32
            armed.low_at(stop_bit, 24)
        armed.run_to(end + 60 * CYCLES_PER_MS)
        status = armed.newest_status()
        assert (name, status.state, status.bad_frames) == (name, 1, 1)
        assert status.line_errors == (0 if broken is None else 1)
        assert len([p for p in armed.pulses() if p.start_cycle > end + CYCLES_PER_MS]) > 5


def test_a_stop_and_a_reset_in_one_row(armed: ImageBench) -> None:
    """In `tripped` a stop changes nothing, and the reset right behind it is obeyed."""
    armed.ask(Stop(1), Status)
    number = armed.status().trip_number
    nonce = armed.nonce()
    armed.send(Stop(2))
    armed.send(Reset(number, nonce))
    assert armed.status().state == 0
    assert armed.peek("halted", 1) == b"\0"


@pytest.mark.parametrize("low_us", [2000, 2100, 50_000])
def test_break_of_two_ms_trips(armed: ImageBench, low_us: int) -> None:
    """Low 1 ms after the second millisecond of it at the latest, at many phases."""
    armed.play(o0=BUSY, o1=BUSY, o2=BUSY, o3=BUSY)
    armed.run_for(20 * CYCLES_PER_MS)
    kept = armed.keep()
    lit = 0
    for phase in range(0, 60_000, 6_007):
        armed.back_to(kept)
        begin = armed.now + phase
        armed.low_at(begin, low_us * CYCLES_PER_US)
        armed.run_to(begin + 5 * CYCLES_PER_MS)
        fall = armed.last_fall(begin)
        assert fall is None or fall - begin <= 3 * CYCLES_PER_MS
        lit += fall is not None
    assert lit > 5
    armed.run_for(60 * CYCLES_PER_MS)
    status = armed.newest_status()
    assert (status.state, status.cause) == (2, Cause.LINE_BREAK)
    assert status.breaks == 1


@pytest.mark.parametrize("low_us", [300, 1000, 1900])
def test_shorter_is_only_counted(armed: ImageBench, low_us: int) -> None:
    armed.play(o0=BUSY)
    armed.run_for(20 * CYCLES_PER_MS)
    for k in range(4):
        armed.low_at(armed.now + k * 4 * CYCLES_PER_MS, low_us * CYCLES_PER_US)
    armed.run_for(20 * CYCLES_PER_MS)
    armed.play(o0=BUSY)
    armed.run_for(60 * CYCLES_PER_MS)
    status = armed.newest_status()
    assert (status.state, status.breaks, status.line_errors) == (1, 0, 4)


def test_noise_bursts_of_300_us_are_only_counted(armed: ImageBench) -> None:
    """Bursts that turn the line over every 3 to 60 us, while pulses go on."""
    armed.play(o0=BUSY)
    armed.run_for(20 * CYCLES_PER_MS)
    for burst in range(5):
        at = armed.now + burst * 3 * CYCLES_PER_MS
        spans: list[tuple[int, int]] = []
        step = 50 + 211 * burst
        while not spans or spans[-1][1] < at + 300 * CYCLES_PER_US:
            from_ = at if not spans else spans[-1][1] + step
            spans.append((from_, from_ + step))
        armed.noise_at(spans)
    armed.run_for(20 * CYCLES_PER_MS)
    armed.play(o0=BUSY)
    begin = armed.now
    armed.run_for(60 * CYCLES_PER_MS)
    status = armed.newest_status()
    assert (status.state, status.breaks) == (1, 0)
    assert status.line_errors + status.bad_frames > 0
    assert len([p for p in armed.pulses() if p.start_cycle > begin]) > 20


@pytest.mark.parametrize("sounding", [True, False])
def test_expiry(armed: ImageBench, sounding: bool) -> None:
    tick, _ = armed.clock()
    slots = BUSY if sounding else ()
    lease = 40_000
    for output in range(4):
        armed.send(armed.voices(output, *slots, now=tick, lease=lease))
    expires = armed.cycle_of(tick + lease)
    armed.run_to(expires + 3 * CYCLES_PER_MS)
    lit = [p for p in armed.pulses() if p.start_cycle + (p.on_cycles or 0) > expires]
    assert all(p.start_cycle < expires for p in lit)
    assert all(p.start_cycle + (p.on_cycles or 0) <= expires + CYCLES_PER_MS for p in lit)
    stays_dark_and_tripped(armed, Cause.LEASE_EXPIRED, armed.now)
