"""Planted faults: registers, prepared pulses and pins that are not what they must be.

Each must be found, make the output dark and trip; the pulses until then stay lawful.
"""

import struct

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
"""2.5 ms: each is loaded at the end of the one before, 2.3 ms ahead; a check comes every ms."""
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
