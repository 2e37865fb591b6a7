"""Planted faults: registers, prepared pulses and pins that are not what they must be.

Each must be found, make the output dark and trip; the pulses until then stay lawful.
"""

import struct
from collections import Counter

import pytest

from firmware_protocol.catalogue import Cause
from tests.bench.bench import CYCLES_PER_MS
from tests.bench.image_bench import OUTPUT_PINS, ImageBench, slot

pytestmark = pytest.mark.long

TIMERS = (0x80, 0x90, 0xA0, 0x120)  # TCCRnA: ATmega2560 data sheet, register summary (from memory)
TCCRA, TCCRB, ICR, OCRB = 0, 1, 6, 10
TIMSK = (0x6F, 0x71, 0x72, 0x73)
DDR = (0x24, 0x2D, 0x101, 0x10A)  # DDRB, DDRE, DDRH, DDRL
OUTPUT_BYTES = 20
"""struct output of output.h: four pulses of two words, first, count, ended, loaded."""
NOTE = slot(5000, 300, start=1)
"""2.5 ms: each is loaded at the end of the one before, 2.3 ms ahead; checks come each half a ms."""
LONG_NOTE = slot(8000, 800, start=2)
FOUND_BOUND = 5 * CYCLES_PER_MS


def sounding(board: ImageBench, *outputs: int) -> None:
    for output in outputs:
        board.sound(output, NOTE)
    board.run_for(20 * CYCLES_PER_MS)


def on_the_way(board: ImageBench, output: int) -> None:
    """To a moment at which a pulse is loaded and has not started, right after the one before it."""
    for _ in range(10):
        limit = board.now + 8 * CYCLES_PER_MS
        assert board.run_to_edge(OUTPUT_PINS[output], 0, limit=limit, after=board.now) is not None
        board.run_for(500)
        if board.peek(f"timed_outputs+{output * OUTPUT_BYTES + 19}", 1)[0]:
            return
    raise AssertionError("no pulse is loaded")


def tripped(board: ImageBench, since: int, *causes: Cause) -> None:
    board.run_for(60 * CYCLES_PER_MS)
    status = board.newest_status()
    assert status.state == 2
    assert status.cause in causes
    assert [p for p in board.pulses() if p.start_cycle > since + FOUND_BOUND] == []
    assert [board.level(pin) for pin in OUTPUT_PINS] == [0, 0, 0, 0]


@pytest.mark.parametrize("output", range(4))
@pytest.mark.parametrize(
    ("name", "offset", "value"),
    [
        ("the top below the count: the counter runs to its end", ICR, struct.pack("<H", 0x0100)),
        ("the top lower than off-time allows", ICR, struct.pack("<H", 0x0400)),
        ("a compare value above the top: constant light", OCRB, struct.pack("<H", 0xFFF0)),
        ("a longer pulse than was judged", OCRB, struct.pack("<H", 700)),
        ("not fast PWM", TCCRA, b"\x20"),
        ("connected, inverted", TCCRA, b"\x32"),
        ("another prescaler", TCCRB, b"\x1b"),
        ("fast PWM of ten bits: the top is not ICRn", TCCRB, b"\x0a"),
        ("stopped", TCCRB, b"\x18"),
    ],
)
def test_a_register_that_changes_by_itself(
    armed: ImageBench, output: int, name: str, offset: int, value: bytes
) -> None:
    sounding(armed, output)
    on_the_way(armed, output)
    since = armed.now
    for k in reversed(range(len(value))):  # as the chip wants it: the high byte first
        armed.poke(TIMERS[output] + offset + k, value[k : k + 1])
    tripped(armed, since, Cause.INTERNAL_FAULT, Cause.PIN_MISMATCH)


@pytest.mark.parametrize("output", range(4))
def test_an_interrupt_mask_or_direction_that_changes_by_itself(
    armed: ImageBench, output: int
) -> None:
    sounding(armed, output)
    kept = armed.keep()
    for at, value in ((TIMSK[output], 0), (DDR[output], 0)):
        armed.back_to(kept)
        since = armed.now
        armed.poke(at, bytes([value]))
        tripped(armed, since, Cause.INTERNAL_FAULT, Cause.PIN_MISMATCH)


@pytest.mark.parametrize("output", range(4))
@pytest.mark.parametrize(
    ("name", "places", "value"),
    [
        ("connected", TIMERS, b"\x22"),  # the same place of all four timers: TCCRnA
        ("interrupt off", TIMSK, b"\x00"),
        ("pin an input", DDR, b"\x00"),
    ],
)
def test_a_register_that_changes_while_silent(
    armed: ImageBench, output: int, name: str, places: tuple[int, ...], value: bytes
) -> None:
    """Found by itself, before a pulse would show it, and put right. (A timer that runs by itself
    meets its compare value, and the interrupt stops it.)"""
    at = places[output]
    was = armed.peek(at)
    since = armed.now
    armed.poke(at, value)
    armed.run_for(6 * CYCLES_PER_MS)
    status = armed.newest_status()
    assert (status.state, status.cause) == (2, Cause.INTERNAL_FAULT)
    assert armed.peek(at) == was
    assert [p for p in armed.pulses() if p.start_cycle > since] == []


def test_an_on_time_in_ram_that_became_too_short_is_no_spike(armed: ImageBench) -> None:
    """A train's on-time that reads 1 or 0 after the frame was judged: a compare value of 0 would be
    a spike (data sheet, fast PWM), one of -1 constant light. Nothing is taken nor connected."""
    odd = 0x0123
    armed.sound(1, slot(4000, odd))
    armed.run_for(20 * CYCLES_PER_MS)
    at = armed.call("symbol", name="core")["at"]
    ram = armed.peek(at, 0x2200 - at)
    kept = armed.keep()
    places = [at + k for k in range(len(ram) - 1) if ram[k : k + 2] == struct.pack("<H", odd)]
    assert places
    for on in (1, 0):
        armed.back_to(kept)
        since = armed.now
        for place in places:
            armed.poke(place, struct.pack("<H", on))
        armed.run_for(30 * CYCLES_PER_MS)
        late = [p for p in armed.pulses() if p.start_cycle > since + 10 * CYCLES_PER_MS]
        assert late == []


@pytest.mark.parametrize(
    ("name", "start_by", "compare"),
    [
        ("longer than any ceiling", 0, 800),
        ("much longer", 0, 20_000),
        ("in the past", -12_000, 299),
        ("too near to be written", -4_985, 299),
        ("beyond the horizon", 17_500, 299),
    ],
)
@pytest.mark.parametrize("output", range(4))
def test_a_prepared_pulse_that_is_not_lawful_is_never_connected(
    armed: ImageBench, output: int, name: str, start_by: int, compare: int
) -> None:
    """The write-point check: a pulse in the line is spoiled after the guard has judged it."""
    sounding(armed, output)
    begin = armed.now
    rise = armed.run_to_edge(OUTPUT_PINS[output], 1, limit=begin + 80_000, after=begin)
    assert rise is not None
    base = f"timed_outputs+{output * OUTPUT_BYTES}"
    line = bytearray(armed.peek(base, OUTPUT_BYTES))
    first, count = line[16], line[17]
    assert count >= 1
    place = first * 4
    start = (struct.unpack_from("<H", line, place)[0] + start_by) & 0xFFFF
    armed.poke(f"timed_outputs+{output * OUTPUT_BYTES + place}", struct.pack("<HH", start, compare))
    since = armed.now
    kept = armed.keep()
    armed.wedge_at(since, "main")  # so that only the write point itself is left to see it
    armed.run_for(10 * CYCLES_PER_MS)
    assert [p for p in armed.pulses() if p.output == output and p.start_cycle > rise] == []
    armed.back_to(kept)
    armed.run_for(60 * CYCLES_PER_MS)
    after = [p for p in armed.pulses() if p.output == output and p.start_cycle > rise]
    assert after == []
    tripped(armed, since, Cause.INTERNAL_FAULT, Cause.PIN_MISMATCH)


@pytest.mark.parametrize("output", range(4))
@pytest.mark.parametrize("level", [0, 1])
def test_a_pin_that_does_not_follow(armed: ImageBench, output: int, level: int) -> None:
    sounding(armed, 0, 1, 2, 3)
    pin = OUTPUT_PINS[output]
    since = armed.now
    armed.force_at(since, pin, level)
    for _ in range(2):
        armed.run_for(25 * CYCLES_PER_MS)
        armed.play(o0=(LONG_NOTE,), o1=(LONG_NOTE,), o2=(LONG_NOTE,), o3=(LONG_NOTE,))
        armed.run_for(130 * CYCLES_PER_MS)
    status = armed.newest_status()
    assert (status.state, status.cause) == (2, Cause.PIN_MISMATCH)
    armed.force_at(armed.now, pin, None)
    armed.run_for(10 * CYCLES_PER_MS)
    assert armed.reset_trip().state == 0


def test_a_pin_stuck_high_trips_from_locked(locked: ImageBench) -> None:
    locked.force_at(locked.now, "PH4", 1)
    locked.run_for(60 * CYCLES_PER_MS)
    status = locked.newest_status()
    assert (status.state, status.cause) == (2, Cause.PIN_MISMATCH)


def test_a_count_that_changes_while_it_is_written_repeats_nothing(armed: ImageBench) -> None:
    """At every fifth cycle of the interrupt that loads the next pulse TCNT3 becomes 0x0100, as by
    a disturbance; right after it the program stands still with interrupts off. A top reckoned from
    that count would be near, and the pulse come again and again until the watchdog bites."""
    pair = tuple(slot(9000, 300, start=k, phase=16 * k) for k in (1, 2))
    armed.play(o1=pair)
    armed.run_for(30 * CYCLES_PER_MS)
    assert armed.run_to_vector("TIMER3_COMPB", limit=armed.now + 60 * CYCLES_PER_MS)
    kept = armed.keep()
    disturbed = 0
    for offset in range(0, 300, 5):
        armed.back_to(kept)
        since = armed.now + offset
        armed.act(since, "count", 3, 0x0100)
        armed.wedge_at(armed.now + 320, "anywhere", interrupts=False)
        armed.run_for(20 * CYCLES_PER_MS)
        after = [p for p in armed.pulses() if p.output == 1 and p.start_cycle > since]
        assert len(after) <= 1
        assert all((p.on_cycles or 0) <= 300 * 8 for p in after)
        disturbed += after == []
    assert 0 < disturbed < 60  # here it hits, and there not


def test_a_top_that_changes_while_lit_is_found(armed: ImageBench) -> None:
    """It does nothing to this pulse, and would bring the next at once if its end were not seen."""
    sounding(armed, 2)
    found = 0
    armed.sound(2, LONG_NOTE)
    armed.run_for(20 * CYCLES_PER_MS)
    assert armed.run_to_edge(OUTPUT_PINS[2], 0, limit=armed.now + 700_000, after=armed.now)
    armed.run_for(1000)  # the next pulse is loaded, and 3.5 ms away
    kept = armed.keep()
    for phase in range(48):
        armed.back_to(kept)
        # Empty frames cost the main loop a little time each, and so move it against the pulses.
        for empty in range(phase):
            armed.bytes_at(armed.now + 1150 * empty, bytes(1))
        rise = armed.run_to_edge(OUTPUT_PINS[2], 1, limit=armed.now + 700_000, after=armed.now)
        assert rise is not None
        armed.poke(TIMERS[2] + ICR + 1, b"\x04")
        armed.poke(TIMERS[2] + ICR, b"\x00")
        armed.run_for(60 * CYCLES_PER_MS)
        status = armed.newest_status()
        found += (status.state, status.cause) == (2, Cause.INTERNAL_FAULT)
        assert max(p.on_cycles or 0 for p in armed.pulses()) <= 800 * 8
    print(f"{found} of 48 found")
    assert found >= 20  # a check comes twice in a round of the main loop, a pulse lasts 400 us


def test_each_timer_is_looked_at_twice_in_a_round(armed: ImageBench) -> None:
    sounding(armed, 0, 1, 2, 3)
    armed.trace({"timers_check": {}})
    begin = armed.peek_int("main_rounds", 2)
    armed.run_for(50 * CYCLES_PER_MS)
    rounds = armed.peek_int("main_rounds", 2) - begin
    looked = Counter(one.registers[24] for one in armed.traced())  # the first argument
    assert rounds > 20
    assert all(abs(looked[output] - 2 * rounds) <= 2 for output in range(4)), (rounds, looked)
