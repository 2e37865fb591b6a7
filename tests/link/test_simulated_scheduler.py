"""Trains to pulses: exact means, collisions, fairness, phase, ramps, spread, bangs, wrap.

Expected ticks are worked out here from PROTOCOL.md, sections 7 and 8, by plain arithmetic.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.link.simulated_scheduler import next_random
from firmware_protocol.messages import FLAG_FORGET_LATER, FLAG_IMMEDIATE, Slot

from .board_bench import BOARD, LIMITS, MS, Bench, slot

WIDE = replace(LIMITS, max_on_ticks=800)


@pytest.fixture
def bench() -> Bench:
    return Bench().armed(WIDE)


@settings(max_examples=60, deadline=None)
@given(st.integers(51_200, 3_000_000), st.integers(0, 255), st.sampled_from((0, 2**32 - 500_000)))
def test_starts_are_the_grid_rounded_up(period: int, phase: int, first_tick: int) -> None:
    bench = Bench(replace(BOARD, first_tick=first_tick)).armed(
        replace(WIDE, min_off_ticks=200, max_on_ticks=2)
    )
    # 2 ticks on and 200 off would delay the shortest periods: keep clear of that
    period = max(period, 203 * 256)
    begun = bench.tick
    bench.voices(Slot(1, 0, 0, phase, 2, 0, period))
    bench.advance(300_000)
    # all in 1/256 tick; only what has ended by then
    grid = range(phase * period // 256, (300_000 - 2) * 256, period)
    expected = [begun - (-point // 256) for point in grid]
    assert bench.starts()[: len(expected)] == expected
    assert len(bench.starts()) - len(expected) in (0, 1)


def test_mean_of_a_fractional_period_is_exact(bench: Bench) -> None:
    """440 Hz is 4,545.4545… ticks; 1,163,636 / 256 is within 0.1 ppm of it, for ever."""
    bench.play_until(bench.tick + 10_000 * MS, Slot(1, 0, 0, 0, 20, 0, 1_163_636))
    starts = bench.starts()
    assert len(starts) == 4400
    assert abs((starts[-1] - starts[0]) - 4399 * 1_163_636 / 256) < 1
    gaps = {b - a for a, b in pairwise(starts)}
    assert gaps == {4545, 4546}


def test_pulses_wait_for_the_off_time_and_keep_their_grid(bench: Bench) -> None:
    begun = bench.tick
    bench.voices(slot(5000, 400), slot(5000, 100, phase=10))  # 195 ticks later
    bench.advance(20_000)
    assert bench.starts() == [t + k for t in range(begun, begun + 20_000, 5000) for k in (0, 600)]


@pytest.mark.parametrize(("on", "dropped"), [(299, 0), (300, 0), (301, 1)])
def test_a_delay_of_half_a_period_fires_and_more_is_dropped(
    bench: Bench, on: int, dropped: int
) -> None:
    """The second train may wait 500 ticks; it has to wait for on + 200."""
    bench.voices(slot(60_000, on), slot(1000, 50, bangs=1))
    bench.advance(30_000)
    assert bench.status().per_output[0].collisions_dropped == dropped
    assert bench.status().per_output[0].guard_refusals == 0
    assert len(bench.starts()) == 2 - dropped


def test_half_a_period_is_exact_to_a_256th(bench: Bench) -> None:
    """Delay 500 against a period of 999 255/256: dropped; against 1,000: fired."""
    bench.voices(slot(60_000, 300), Slot(1, 1, 0, 0, 50, 0, 1000 * 256 - 1))
    bench.advance(30_000)
    assert bench.status().per_output[0].collisions_dropped == 1


def test_equal_grid_points_take_turns(bench: Bench) -> None:
    """Off-time and on-time leave room for one of two: neither train starves."""
    begun = bench.tick
    bench.voices(slot(1000, 400, start=1), slot(1000, 301, start=2))
    bench.advance(10_000)
    # slot 0 fires at 0 (tie, never fired, lower slot); slot 1 would wait 600 > 500: dropped;
    # at 1000 slot 1 has never fired: it is first, and slot 0 would wait 501 > 500: dropped
    assert [(p.start_tick - begun, p.on_ticks) for p in bench.pulses] == [
        (k * 1000, 301 if k % 2 else 400) for k in range(10)
    ]


def test_earlier_grid_point_goes_first_whoever_fired_last(bench: Bench) -> None:
    begun = bench.tick
    bench.voices(slot(4000, 100), slot(4000, 100, phase=1))  # 15.625 ticks later
    bench.advance(8000)
    assert bench.starts() == [begun, begun + 300, begun + 4000, begun + 4300]


def test_the_pulse_already_planned_stays_when_the_period_changes(bench: Bench) -> None:
    begun = bench.tick
    bench.voices(slot(4000))
    bench.advance(1000)
    bench.voices(slot(2500))
    bench.advance(9500)
    assert bench.starts() == [begun, begun + 4000, begun + 6500, begun + 9000]


def test_a_repeated_start_number_changes_nothing_but_the_on_time(bench: Bench) -> None:
    begun = bench.tick
    for n in range(10):
        bench.voices(slot(3000, 100 + n, phase=77 if n else 0))
        bench.at(bench.tick + 1000)
    bench.advance(0)
    assert bench.starts() == [begun, begun + 3000, begun + 6000, begun + 9000]
    # a frame that comes at the very tick of a pulse is applied first
    assert [p.on_ticks for p in bench.pulses] == [100, 103, 106, 109]


def test_a_new_start_number_begins_anew(bench: Bench) -> None:
    begun = bench.tick
    bench.voices(slot(3000))
    bench.advance(1000)
    bench.voices(slot(3000, start=2))
    bench.advance(3500)
    assert bench.starts() == [begun, begun + 1000, begun + 4000]


def test_a_silent_slot_forgets_its_start_number(bench: Bench) -> None:
    begun = bench.tick
    bench.voices(slot(3000))
    bench.advance(1000)
    bench.voices()
    bench.advance(5000)
    bench.voices(slot(3000))
    bench.advance(100)
    assert bench.starts() == [begun, begun + 6000]


@pytest.mark.parametrize("bangs", [1, 2, 255])
def test_bangs_are_counted(bench: Bench, bangs: int) -> None:
    for _ in range(5):
        bench.voices(slot(700, 20, bangs=bangs))
        bench.advance(37 * MS)
    assert len(bench.starts()) == bangs


def test_bangs_of_a_repeated_start_number_are_not_taken(bench: Bench) -> None:
    bench.voices(slot(2000, bangs=2))
    bench.advance(1000)
    bench.voices(slot(2000, bangs=9))
    bench.advance(30_000)
    assert len(bench.starts()) == 2


@pytest.mark.parametrize(("step", "gaps"), [(0, [2400, 2400]), (1600, [2100, 2200, 2300, 2400])])
def test_steps_move_the_period_pulse_by_pulse(bench: Bench, step: int, gaps: list[int]) -> None:
    """1,600 sixteenths are 100 ticks a gap."""
    bench.voices(slot(2000))
    bench.advance(100)
    bench.voices(slot(2400, step=step))
    bench.advance(16_000)
    found = [b - a for a, b in pairwise(bench.starts())]
    assert found[: 1 + len(gaps)] == [2000, *gaps]
    assert set(found[1 + len(gaps) :]) == {2400}


def test_steps_go_down_as_well(bench: Bench) -> None:
    bench.voices(slot(2400))
    bench.advance(100)
    bench.voices(slot(2150, step=1600))
    bench.advance(16_000)
    assert [b - a for a, b in pairwise(bench.starts())][:5] == [2400, 2300, 2200, 2150, 2150]


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 128), st.integers(400, 20_000))
def test_spread_stays_inside_its_share(spread: int, period: int) -> None:
    bench = Bench().armed(replace(WIDE, max_on_ticks=2))
    bench.play_until(bench.tick + 150 * MS, slot(period, 2, spread=spread))
    gaps = [b - a for a, b in pairwise(bench.starts())]
    room = period * spread / 256 + 1
    assert all(period - room - 1 <= gap <= period + room for gap in gaps)


def test_the_generator_visits_every_state_but_zero() -> None:
    """An xorshift of full period: 65,535 steps back to the start."""
    x, steps = next_random(0xACE1), 1
    while x != 0xACE1:
        x, steps = next_random(x), steps + 1
    assert steps == 65_535


def test_spread_is_the_same_in_every_session_and_differs_by_output() -> None:
    bench = Bench().armed(WIDE, replace(WIDE, output=1))

    def play() -> tuple[list[int], list[int]]:
        begun = bench.tick
        bench.pulses.clear()
        bench.voices(slot(2000, 20, spread=100))
        bench.voices(slot(2000, 20, spread=100), output=1)
        bench.advance(100_000)
        return [t - begun for t in bench.starts(0)], [t - begun for t in bench.starts(1)]

    first = play()
    bench.board.internal_fault(bench.tick)
    bench.reset_trip()
    bench.arm()
    assert play() == first
    assert first[0] != first[1]


def test_queued_frames_come_at_their_tick_in_order(bench: Bench) -> None:
    begun = bench.tick
    bench.voices(slot(100_000, 30, start=3), at=begun + 9000)
    bench.voices(slot(100_000, 10, start=1), at=begun + 3000)
    bench.voices(slot(100_000, 20, start=2), at=begun + 3000)
    assert bench.status().per_output[0].queued == 3
    bench.advance(20_000)
    # both frames of tick 3,000 were applied, the later arrival last, before any pulse
    assert [(p.start_tick - begun, p.on_ticks) for p in bench.pulses] == [(3000, 20), (9000, 30)]


def test_forget_later_replaces_the_future(bench: Bench) -> None:
    begun = bench.tick
    for n, at in enumerate((2000, 4000, 6000)):
        bench.voices(slot(100_000, 11 + n, start=n), at=begun + at)
    bench.voices(slot(100_000, 99, start=9), at=begun + 4000, flags=FLAG_FORGET_LATER)
    bench.advance(20_000)
    assert [(p.start_tick - begun, p.on_ticks) for p in bench.pulses] == [(2000, 11), (4000, 99)]


def test_immediate_forget_later_empties_the_queue(bench: Bench) -> None:
    for n in range(16):
        bench.voices(slot(5000, start=n), at=bench.tick + 1000 + n)
    bench.voices(flags=FLAG_IMMEDIATE | FLAG_FORGET_LATER)
    assert bench.status().per_output[0].queued == 0
    bench.advance(20_000)
    assert bench.pulses == []


def test_outputs_do_not_disturb_one_another() -> None:
    bench = Bench().armed(*[replace(WIDE, output=o) for o in range(4)])
    begun = bench.tick
    for output in range(4):
        bench.voices(slot(1000 + 100 * output), output=output)
    bench.advance(50_000)
    for output in range(4):
        period = 1000 + 100 * output
        assert bench.starts(output) == list(range(begun, begun + 50_000 - 100 + 1, period))
