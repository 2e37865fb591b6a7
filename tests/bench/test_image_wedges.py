"""The program wedged, interrupts lost or off for ever: what pins do, and what follows.

The project's own bounds: low within 16 ms, ENABLE still within 5 ms, tripped after the
reset; and no pulse is ever longer than lawful, nor closer to the last than the off-time.
"""

import itertools
from collections.abc import Callable, Iterable

import pytest

from firmware_protocol.catalogue import Cause, State
from firmware_protocol.messages import Status
from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_TICK
from tests.bench.image_bench import ENABLE, OUTPUT_PINS, ImageBench, slot
from tests.bench.image_build import COMPARE_VECTORS

pytestmark = pytest.mark.long

ENABLE_BOUND = 5 * CYCLES_PER_MS
LOW_BOUND = 16 * CYCLES_PER_MS
ON_CYCLES = 800 * CYCLES_PER_TICK
TOLD_BOUND = 5 * CYCLES_PER_MS
"""From a pulse's end that nobody saw to the last byte of the status that tells of it."""
MIN_OFF_CYCLES = 200 * CYCLES_PER_TICK
FOR_EVER = 10**9
CHORD = tuple(slot(2e6 / hz, 800, start=1) for hz in (61, 89))
PHASES = (0, 700, 3_000, 6_300, 6_390, 6_400, 6_410, 6_450, 6_600, 7_900, 8_100, 12_000, 30_000)
"""Cycles after a rise of PB6, whose pulse lasts 6,400: in it, at its end, and after."""
SPREAD = (*range(0, 12_000, 401), *range(6_380, 6_900, 40))
EACH = range(0, 12_000, 3)

Fault = Callable[[ImageBench, int], None]
FAULTS: dict[str, tuple[Fault, int]] = {
    "the main loop stands": (lambda b, at: b.wedge_at(at, "main"), 4),
    "it stands, interrupts off": (lambda b, at: b.wedge_at(at, "anywhere", interrupts=False), 1),
    "interrupts off, the program runs on": (lambda b, at: b.act(at, "cli"), 1),
    "no interrupt is taken": (lambda b, at: b.mask_at(at), 1),
    "the clock's interrupt is lost": (lambda b, at: b.drop_at(at, "TIMER0_OVF", FOR_EVER), 4),
}
"""What fails; how many more pulses may start on each output (WIRING.md, "What a wedge costs")."""


def in_a_pulse(board: ImageBench) -> None:
    """Four outputs sounding with the longest pulses; stands at a rise of PB6."""
    board.play(o0=CHORD, o1=CHORD, o2=CHORD, o3=CHORD)
    board.run_for(30 * CYCLES_PER_MS)
    begin = board.now
    assert board.run_to_edge("PB6", 1, limit=begin + 40 * CYCLES_PER_MS, after=begin) is not None


def lawful(board: ImageBench, since: int) -> int:
    """Checks every pulse so far; returns the cycle from which all outputs stay low."""
    end = since
    pulses = board.pulses()
    for output in range(4):
        mine = [p for p in pulses if p.output == output]
        for before, pulse in zip([None, *mine], mine, strict=False):
            assert pulse.on_cycles is not None
            assert pulse.on_cycles <= ON_CYCLES
            if before is not None and before.on_cycles is not None:
                gap = pulse.start_cycle - before.start_cycle - before.on_cycles
                assert gap >= MIN_OFF_CYCLES
            end = max(end, pulse.start_cycle + pulse.on_cycles)
    return end


def wedged(board: ImageBench, since: int, most: int = 4) -> int:
    """Runs from a wedge at `since` to the watchdog's reset, and checks what the pins did: at most
    `most` more pulses of each output. Returns when the last light ended."""
    reset = board.run_to_reset(limit=since + 25 * CYCLES_PER_MS)
    assert reset is not None
    assert board.statistics()["resets"][-1][1] == "watchdog"
    low = lawful(board, since)
    assert low - since <= LOW_BOUND
    more = [p.output for p in board.pulses() if p.start_cycle > since]
    assert max((more.count(output) for output in range(4)), default=0) <= most
    late = [
        e.cycle for e in board.edges() if e.pin == ENABLE and since + ENABLE_BOUND < e.cycle < reset
    ]
    assert late == []
    return low


def tripped_again(board: ImageBench) -> None:
    """From the reset through the new start: no light, and tripped. Cause: the reset, or what the
    main loop, where it still ran, found before it."""
    quiet = board.now
    board.collect()
    board.messages.clear()
    board.started()
    assert [e for e in board.edges() if e.pin in OUTPUT_PINS and e.cycle > quiet] == []
    status = board.newest_status()
    assert status.state == State.TRIPPED
    assert status.cause in (Cause.WATCHDOG_RESET, Cause.INTERNAL_FAULT)


def all_that_a_start_knows(board: ImageBench) -> bytes:
    """What the program's start can find of what was before: why, and what it remembers. All else is
    set anew by the reset or by the start itself."""
    assert board.processor()["pc"] == 0
    return board.peek(0x54) + board.peek("kept_in_ram", 28) + board.eeprom()


@pytest.mark.parametrize("name", FAULTS)
def test_wedged_at_each_phase(armed: ImageBench, name: str, request: pytest.FixtureRequest) -> None:
    """At phases of a pulse from its rise to the next (`--long-bench`: at every third cycle)."""
    plant, most = FAULTS[name]
    in_a_pulse(armed)
    kept = armed.keep()
    started: set[bytes] = set()
    lowest = 0
    phases: Iterable[int] = EACH if request.config.getoption("--long-bench") else SPREAD
    for phase in phases:
        armed.back_to(kept)
        since = armed.now + phase
        plant(armed, since)
        lowest = max(lowest, wedged(armed, since, most) - since)
        before = all_that_a_start_knows(armed)
        if before not in started:
            started.add(before)
            tripped_again(armed)
    print(f"{name}: last light {lowest / CYCLES_PER_MS:.1f} ms after, {len(started)} starts")


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
        wedged(armed, since, 1)
    assert len([p for p in armed.pulses() if begin < p.start_cycle < since]) > 20


def test_no_interrupt_is_taken_while_silent(armed: ImageBench) -> None:
    """No pulse is there to be missed: the clock's own interrupt is what is missed."""
    armed.run_for(30 * CYCLES_PER_MS)
    since = armed.now
    armed.mask_at(since)
    wedged(armed, since)
    tripped_again(armed)


@pytest.mark.parametrize("count", [1, FOR_EVER], ids=["once", "for ever"])
@pytest.mark.parametrize("output", range(4))
def test_lost_interrupt_at_a_pulse_end(armed: ImageBench, output: int, count: int) -> None:
    """It is missed within 200 us + a round of the main loop: dark, and a trip; nothing repeats."""
    in_a_pulse(armed)
    kept = armed.keep()
    for phase in PHASES:
        armed.back_to(kept)
        lost_at(armed, output, armed.now + phase, count)


def lost_at(armed: ImageBench, output: int, since: int, count: int) -> None:
    armed.drop_at(since, COMPARE_VECTORS[output], count)
    armed.run_to(since + 70 * CYCLES_PER_MS)
    dark = lawful(armed, since)
    mine = [p for p in armed.pulses() if p.output == output]
    low = max(p.start_cycle + (p.on_cycles or 0) for p in mine)
    armed.collect()
    told = next(
        at for at, m in armed.messages if at > since and isinstance(m, Status) and m.state == 2
    )
    assert told - low <= TOLD_BOUND
    status = armed.newest_status()
    assert (status.state, status.cause) == (2, Cause.INTERNAL_FAULT)
    after = [p for p in mine if p.start_cycle > since]
    assert len(after) <= 2  # the one under way or next, whose end nobody saw
    assert dark - low <= TOLD_BOUND  # the others, too
    assert armed.last_edge(ENABLE) - low <= ENABLE_BOUND


def test_the_clock_s_interrupt_lost_once(armed: ImageBench) -> None:
    """The board's time stands 128 us behind from then on. A pulse on its way is not where its tick
    says: found, dark, a trip; without one the notes go on, a little late, never closer together."""
    in_a_pulse(armed)
    kept = armed.keep()
    states: set[int] = set()
    for phase in PHASES:
        armed.back_to(kept)
        since = armed.now + phase
        armed.drop_at(since, "TIMER0_OVF")
        armed.run_to(since + 70 * CYCLES_PER_MS)
        lawful(armed, since)
        status = armed.newest_status()
        states.add(status.state)
        assert (status.state, status.cause) in ((1, 0), (2, Cause.INTERNAL_FAULT))
    assert State.TRIPPED in states


def test_the_receive_interrupt_is_lost_for_ever(armed: ImageBench) -> None:
    """Nothing is heard any more, a stop neither: the lease ends the light."""
    in_a_pulse(armed)
    since = armed.now
    armed.drop_at(since, "USART0_RX", FOR_EVER)
    armed.run_to(since + 300 * CYCLES_PER_MS)
    assert lawful(armed, since) - since <= 250 * CYCLES_PER_MS
    assert len([p for p in armed.pulses() if p.start_cycle > since]) > 20
    status = armed.newest_status()
    assert (status.state, status.cause) == (State.TRIPPED, Cause.LEASE_EXPIRED)


def test_timer_0_stands_still(armed: ImageBench) -> None:
    """The board's clock itself dies: no ENABLE, no watchdog kick."""
    in_a_pulse(armed)
    since = armed.now
    armed.poke(0x45, b"\x00")  # TCCR0B: stopped
    wedged(armed, since)
    tripped_again(armed)


def test_the_stack_reaches_the_variables(armed: ImageBench) -> None:
    """The mark below the stack is gone: the program's state is not to be trusted any more."""
    in_a_pulse(armed)
    since = armed.now
    armed.poke("_end", b"\x00")
    wedged(armed, since)
    tripped_again(armed)


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
