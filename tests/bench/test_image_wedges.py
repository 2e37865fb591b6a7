"""The program wedged, an interrupt lost, interrupts off for ever: what pins do, and what follows.

The project's own bounds: low within 16 ms, ENABLE still within 5 ms, tripped after the
reset; and no pulse is ever longer than lawful, nor closer to the last than the off-time.
"""

import itertools

import pytest

from firmware_protocol.catalogue import Cause
from firmware_protocol.messages import Status
from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_TICK
from tests.bench.image_bench import COMPARE_VECTORS, ENABLE, OUTPUT_PINS, ImageBench, slot

pytestmark = pytest.mark.long

ENABLE_BOUND = 5 * CYCLES_PER_MS
LOW_BOUND = 16 * CYCLES_PER_MS
ON_CYCLES = 800 * CYCLES_PER_TICK
TOLD_BOUND = 5 * CYCLES_PER_MS
"""From a pulse's end that nobody saw to the last byte of the status that tells of it."""
MIN_OFF_CYCLES = 200 * CYCLES_PER_TICK
CHORD = tuple(slot(2e6 / hz, 800, start=1) for hz in (61, 89))
PHASES = (0, 700, 3_000, 6_300, 6_390, 6_400, 6_410, 6_450, 6_600, 7_900, 8_100, 12_000, 30_000)
"""Cycles after a rise of PB6, whose pulse lasts 6,400: in it, at its end, and after."""


def in_a_pulse(board: ImageBench) -> None:
    """Four outputs sounding with the longest pulses; stands at a rise of PB6."""
    board.play(o0=CHORD, o1=CHORD, o2=CHORD, o3=CHORD)
    board.run_for(30 * CYCLES_PER_MS)
    begin = board.now
    assert board.run_to_edge("PB6", 1, limit=begin + 40 * CYCLES_PER_MS, after=begin) is not None


def lawful(board: ImageBench, since: int) -> int:
    """Checks every pulse from `since` on; returns the cycle from which all outputs stay low."""
    end = since
    for output in range(4):
        mine = [p for p in board.pulses() if p.output == output]
        for before, pulse in zip([None, *mine], mine, strict=False):
            assert pulse.on_cycles is not None
            assert pulse.on_cycles <= ON_CYCLES
            if before is not None and before.on_cycles is not None:
                gap = pulse.start_cycle - before.start_cycle - before.on_cycles
                assert gap >= MIN_OFF_CYCLES
            end = max(end, pulse.start_cycle + pulse.on_cycles)
    return end


def dark_and_tripped(board: ImageBench, since: int) -> None:
    """Runs past the watchdog's reset and the new start, and checks all bounds. Cause: the reset,
    or what the main loop, where it still ran, found before it."""
    reset = board.run_to_reset(limit=since + 25 * CYCLES_PER_MS)
    assert reset is not None
    low = lawful(board, since)
    assert low - since <= LOW_BOUND
    assert board.last_edge(ENABLE) - since <= ENABLE_BOUND or board.last_edge(ENABLE) == reset
    toggles = [
        e.cycle for e in board.edges() if e.pin == ENABLE and since + ENABLE_BOUND < e.cycle < reset
    ]
    assert toggles == []
    quiet = board.now
    board.collect()
    board.messages.clear()
    board.started()
    assert [e for e in board.edges() if e.pin in OUTPUT_PINS and e.cycle > quiet] == []
    status = board.newest_status()
    assert status.state == 2
    assert status.cause in (Cause.WATCHDOG_RESET, Cause.INTERNAL_FAULT)


def wedged(board: ImageBench, since: int) -> None:
    """The bounds of a wedge at `since`, on the pins, as far as the watchdog's reset and past it."""
    board.run_to(since + 20 * CYCLES_PER_MS)
    assert board.statistics()["resets"][-1][1] == "watchdog"
    assert lawful(board, since) - since <= LOW_BOUND
    late = [e.cycle for e in board.edges() if e.pin == ENABLE and e.cycle > since + ENABLE_BOUND]
    assert [cycle for cycle in late if board.level(ENABLE)] == []
    assert len(late) <= 1  # the reset lets it go


@pytest.mark.parametrize("interrupts", [True, False])
def test_main_loop_wedged(armed: ImageBench, interrupts: bool) -> None:
    """In an endless instruction, interrupts on or off for ever."""
    in_a_pulse(armed)
    kept = armed.keep()
    for number, phase in enumerate(PHASES):
        armed.back_to(kept)
        since = armed.now + phase
        armed.wedge_at(since, "main" if interrupts else "anywhere", interrupts=interrupts)
        wedged(armed, since)
        if number % 5 == 0:
            armed.back_to(kept)
            armed.wedge_at(since, "main" if interrupts else "anywhere", interrupts=interrupts)
            armed.run_to(since)
            dark_and_tripped(armed, since)


@pytest.mark.parametrize("vector", [*COMPARE_VECTORS, "USART0_RX", "TIMER0_OVF"])
def test_wedged_within_an_interrupt(
    armed: ImageBench, vector: str, request: pytest.FixtureRequest
) -> None:
    """At every few cycles of it (`--long-bench`: at each), loading the next pulse included, while
    the other outputs are lit or on their way."""
    begin = armed.now
    pair = tuple(slot(9000, 800, start=k, phase=16 * k) for k in (1, 2))
    armed.play(o0=pair, o1=pair, o2=pair, o3=pair)
    armed.run_for(30 * CYCLES_PER_MS)
    armed.send(armed.voices(0, *pair, now=armed.clock()[0]))
    for _ in range(40):
        assert armed.run_to_vector(vector, limit=armed.now + 60 * CYCLES_PER_MS)
        kept = armed.keep()
        armed.run_for(400)
        loads = any(armed.peek(f"timed_outputs+{n * 20 + 19}", 1)[0] for n in range(4))
        armed.back_to(kept)
        if loads:
            break
        armed.run_for(1)
    step = 1 if request.config.getoption("--long-bench") else 13
    for offset in range(0, 300, step):
        armed.back_to(kept)
        since = armed.now + offset
        armed.wedge_at(since, "anywhere", interrupts=False)
        wedged(armed, since)
    assert len([p for p in armed.pulses() if begin < p.start_cycle < since]) > 20


def test_no_interrupt_is_taken_any_more(armed: ImageBench) -> None:
    """The program runs on, but no interrupt ever comes: it must notice by itself."""
    in_a_pulse(armed)
    kept = armed.keep()
    for phase in PHASES:
        armed.back_to(kept)
        since = armed.now + phase
        armed.mask_at(since)
        armed.run_to(since + 20 * CYCLES_PER_MS)
        assert lawful(armed, since) - since <= LOW_BOUND
    armed.back_to(kept)
    armed.mask_at(armed.now)
    dark_and_tripped(armed, armed.now)


def test_no_interrupt_is_taken_while_silent(armed: ImageBench) -> None:
    """No pulse is there to be missed: the clock's own interrupt is what is missed."""
    armed.run_for(30 * CYCLES_PER_MS)
    since = armed.now
    armed.mask_at(since)
    dark_and_tripped(armed, since)


@pytest.mark.parametrize("output", range(4))
def test_one_lost_interrupt_at_a_pulse_end(armed: ImageBench, output: int) -> None:
    """It is missed within 200 us + a round of the main loop: dark, and a trip; nothing repeats."""
    in_a_pulse(armed)
    kept = armed.keep()
    for phase in PHASES:
        armed.back_to(kept)
        lost_at(armed, output, armed.now + phase)


def lost_at(armed: ImageBench, output: int, since: int) -> None:
    armed.drop_at(since, COMPARE_VECTORS[output])
    armed.run_to(since + 70 * CYCLES_PER_MS)
    lawful(armed, since)
    low = max(p.start_cycle + (p.on_cycles or 0) for p in armed.pulses() if p.output == output)
    armed.collect()
    told = next(
        at for at, m in armed.messages if at > since and isinstance(m, Status) and m.state == 2
    )
    assert told - low <= TOLD_BOUND
    status = armed.newest_status()
    assert (status.state, status.cause) == (2, Cause.INTERNAL_FAULT)
    after = [p for p in armed.pulses() if p.output == output and p.start_cycle > since]
    assert len(after) <= 2  # the one under way or next, whose end nobody saw
    dark = lawful(armed, since)
    assert dark - low <= TOLD_BOUND  # the others, too
    assert armed.last_edge(ENABLE) - low <= ENABLE_BOUND


def test_timer_0_stands_still(armed: ImageBench) -> None:
    """The board's clock itself dies: no ENABLE, no watchdog kick."""
    in_a_pulse(armed)
    since = armed.now
    armed.poke(0x45, b"\x00")  # TCCR0B: stopped
    dark_and_tripped(armed, since)


def test_nothing_is_wrong_without_a_fault(armed: ImageBench) -> None:
    """The control: the same, with nothing planted, goes on."""
    in_a_pulse(armed)
    since = armed.now
    armed.run_for(60 * CYCLES_PER_MS)
    assert armed.newest_status().state == 1
    assert len([p for p in armed.pulses() if p.start_cycle > since]) > 20
    enables = [e.cycle for e in armed.edges() if e.pin == ENABLE and e.cycle > since]
    gaps = [b - a for a, b in itertools.pairwise(enables)]
    print(f"ENABLE: longest pause {max(gaps) / 16000:.2f} ms")
    assert max(gaps) < 2 * CYCLES_PER_MS
