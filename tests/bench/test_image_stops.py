"""E-stop inputs, key and local stop on the real image: how long until all four outputs are low, and
latched.

The bounds are the project's own, and PROTOCOL.md's. 16 cycles are a microsecond.
"""

import pytest

from firmware_protocol.catalogue import Cause
from tests.bench.bench import CYCLES_PER_MS
from tests.bench.image_bench import (
    ESTOP_A,
    ESTOP_B,
    KEY,
    LOCAL_STOP,
    OUTPUT_PINS,
    ImageBench,
    slot,
)
from tests.bench.stopping import (
    ESTOP_BOUND,
    SYNCHRONISER,
    busy,
    stays_dark_and_tripped,
    to_interrupt_while_lit,
)

pytestmark = pytest.mark.long


@pytest.mark.parametrize(("pin", "level"), [(ESTOP_A, 1), (ESTOP_B, 0)])
def test_estop_opens_at_every_phase(
    armed: ImageBench, pin: str, level: int, request: pytest.FixtureRequest
) -> None:
    """Phases: every 38 us over 3 ms of the busiest traffic, and within the longest interrupts."""
    busy(armed)
    armed.run_for(2 * CYCLES_PER_MS)
    long = bool(request.config.getoption("--long-bench", default=False))
    begins = [(armed.keep(), range(0, 48_000, 31 if long else 617))]
    for vector in ("TIMER1_COMPB", "TIMER4_COMPB", "USART0_RX", "USART0_UDRE", "TIMER0_OVF"):
        armed.back_to(begins[0][0])
        to_interrupt_while_lit(armed, vector)
        # longer than any: 432 cycles, with those that it lets in between
        begins.append((armed.keep(), range(0, 440, 1 if long else 11)))
    worst = 0
    cut = 0
    phases = 0
    for kept, offsets in begins:
        for offset in offsets:
            armed.back_to(kept)
            phases += 1
            opens = armed.now + offset
            armed.pin_at(opens, pin, level)
            armed.run_to(opens)
            lit = any(armed.level(p) for p in OUTPUT_PINS)
            armed.run_to(opens + CYCLES_PER_MS)
            fall = armed.last_fall(opens)
            if fall is not None:
                worst = max(worst, fall - opens)
                cut += lit
    print(
        f"e-stop {pin}: worst {worst} cycles = {worst / 16:.1f} us over {phases} phases, {cut} lit"
    )
    assert 0 < worst <= ESTOP_BOUND - SYNCHRONISER
    assert cut >= 60  # many of the phases are within a pulse
    stays_dark_and_tripped(armed, Cause.ESTOP_OPEN, armed.now)


@pytest.mark.parametrize("closes_again", [False, True])
def test_estop_opens_between_two_pulses_of_a_chain(armed: ImageBench, closes_again: bool) -> None:
    """While the interrupt that ends a pulse loads the next, which is due 100 us later; the main
    loop, which would also make it dark, stands still. `closes_again`: after 1 us, so that nobody
    sees the input open any more."""
    pair = (slot(20_000, 300, start=1), slot(20_000, 300, start=2))
    armed.play(o0=pair, o1=pair, o2=pair, o3=pair)
    armed.run_for(25 * CYCLES_PER_MS)
    assert armed.run_to_vector("TIMER3_COMPB", limit=armed.now + 40 * CYCLES_PER_MS)
    kept = armed.keep()
    chained = 0
    for offset in range(0, 600):
        armed.back_to(kept)
        opens = armed.now + offset
        armed.wedge_at(armed.now, "main")  # so that interrupts alone must do
        armed.pin_at(opens, ESTOP_A, 1)
        if closes_again:
            armed.pin_at(opens + 16, ESTOP_A, 0)
        armed.run_to(opens + 2 * CYCLES_PER_MS)
        rises = [e.cycle for e in armed.edges() if e.pin in OUTPUT_PINS and e.level]
        assert max(rises) <= opens + ESTOP_BOUND
        if offset % 7:
            continue
        armed.back_to(kept)
        armed.run_to(opens + 2 * CYCLES_PER_MS)
        rises = [e.cycle for e in armed.edges() if e.pin in OUTPUT_PINS and e.level]
        chained += max(rises) > opens + ESTOP_BOUND
    assert chained > 50  # without the e-stop there would have been light


@pytest.mark.parametrize(("pin", "level", "vector"), [(ESTOP_A, 1, "INT0"), (ESTOP_B, 0, "INT1")])
@pytest.mark.parametrize("main_loop_stands", [False, True])
def test_estop_whose_interrupt_is_lost(
    armed: ImageBench, pin: str, level: int, vector: str, main_loop_stands: bool
) -> None:
    """The main loop sees the level, and no pulse is connected while it is open: of what was on its
    way already no more than one on each output; where the main loop lives, nothing after 1 ms."""
    pair = (slot(20_000, 300, start=1), slot(20_000, 300, start=2))
    armed.play(o0=pair, o1=pair, o2=pair, o3=pair)
    armed.run_for(25 * CYCLES_PER_MS)
    assert armed.run_to_vector("TIMER3_COMPB", limit=armed.now + 40 * CYCLES_PER_MS)
    kept = armed.keep()
    for offset in range(0, 600, 23):
        armed.back_to(kept)
        opens = armed.now + offset
        armed.drop_at(armed.now, vector)
        if main_loop_stands:
            armed.wedge_at(armed.now, "main")
        armed.pin_at(opens, pin, level)
        armed.run_to(opens + 5 * CYCLES_PER_MS)
        after = [p for p in armed.pulses() if p.start_cycle > opens]
        assert len({p.output for p in after}) == len(after)
        if not main_loop_stands:
            assert [p for p in after if p.start_cycle > opens + CYCLES_PER_MS] == []


def test_estop_opening_for_a_microsecond_counts(armed: ImageBench) -> None:
    busy(armed)
    at = armed.now + 1000
    armed.pin_at(at, ESTOP_A, 1)
    armed.pin_at(at + 16, ESTOP_A, 0)
    armed.run_to(at + ESTOP_BOUND)
    stays_dark_and_tripped(armed, Cause.ESTOP_OPEN, armed.now)


@pytest.mark.parametrize(
    ("pin", "level", "cause"),
    [(KEY, 1, Cause.KEY_OFF), (LOCAL_STOP, 1, Cause.LOCAL_STOP)],
)
def test_key_and_local_stop(armed: ImageBench, pin: str, level: int, cause: Cause) -> None:
    busy(armed)
    at = armed.now
    armed.pin_at(at, pin, level)
    armed.run_to(at + 2 * CYCLES_PER_MS)
    lit = [p for p in armed.pulses() if p.start_cycle > at + CYCLES_PER_MS]
    assert lit == []
    stays_dark_and_tripped(armed, cause, armed.now)


def test_trip_in_mid_pulse_then_armed_again_gives_no_stray_pulse(armed: ImageBench) -> None:
    """The compare latch was high when the pulse was cut: it must not show when next connected."""
    armed.play(o0=(slot(4000, 800),), o3=(slot(4000, 800),))
    begin = armed.now
    rise = armed.run_to_edge("PB6", 1, limit=begin + 10 * CYCLES_PER_MS, after=begin)
    assert rise is not None
    armed.pin_at(rise + 3000, ESTOP_B, 0)
    armed.pin_at(rise + 20_000, ESTOP_B, 1)
    armed.run_for(110 * CYCLES_PER_MS)
    cut = [p for p in armed.pulses() if p.output == 0][-1]
    assert cut.on_cycles is not None
    assert 3000 < cut.on_cycles < 3000 + ESTOP_BOUND
    armed.reset_trip()
    quiet = armed.now
    armed.arm()
    armed.run_for(50 * CYCLES_PER_MS)
    assert [p for p in armed.pulses() if p.start_cycle > quiet] == []
    armed.play(o0=(slot(8000, 100, bangs=3, phase=128),), o3=(slot(8000, 100, bangs=3, phase=128),))
    armed.run_for(20 * CYCLES_PER_MS)
    found = [p for p in armed.pulses() if p.start_cycle > quiet]
    assert sorted((p.output, p.on_cycles) for p in found) == [(0, 800)] * 3 + [(3, 800)] * 3
