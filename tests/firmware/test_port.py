"""The core under a port that behaves as a main loop does: late, at its own times, with a lead.

The fake timers stay exact; only the core is asked late. What was prepared comes on its tick all the
same; what was not, later or never, and nothing ever unlawful (core/port.h).
"""

from __future__ import annotations

import math
import random
from itertools import pairwise

import pytest

from firmware_protocol.catalogue import Cause, State
from firmware_protocol.messages import FLAG_FORGET_LATER, OutputLimits, Stop
from tests.link.board_bench import MS, slot

from .bench import CoreBench
from .hostile import unlawful

CENT_0_05 = 2 ** (0.05 / 1200) - 1
HORIZON = 8000


def armed(*limits: OutputLimits) -> CoreBench:
    bench = CoreBench()
    bench.armed(*limits)
    return bench


def lazy(poll_every: int = 1200, lead: int = 40) -> CoreBench:
    """Armed, and polled every `poll_every` ticks from now on (600 µs: one at its worst)."""
    bench = armed()
    bench.board.port(poll_every, lead)
    return bench


@pytest.mark.parametrize("break_rate_hz", [20.0, 27.5, 110.0, 440.0, 987.77, 1760.0, 1900.0])
def test_mean_pitch_within_a_twentieth_of_a_cent(break_rate_hz: float) -> None:
    bench = lazy()
    period = round(2_000_000 * 256 / break_rate_hz)
    begun = bench.tick
    bench.play_until(begun + 4000 * MS, slot(period / 256, 50))
    starts = bench.starts()[2:]  # the first come when the loop first hears of them
    mean = (starts[-1] - starts[0]) / (len(starts) - 1)
    found_hz = 2_000_000 / mean
    assert len(starts) == pytest.approx(4 * break_rate_hz, abs=5)
    # a start is off its grid by less than a tick at either end: what is left of it is not pitch
    slack = 2 / (starts[-1] - starts[0])
    assert abs(math.log2(found_hz / break_rate_hz)) <= math.log2(1 + CENT_0_05) + slack
    grid = {math.ceil((begun * 256 + n * period) / 256) for n in range(len(starts) + 9)}
    assert set(starts) <= grid, "prepared pulses come on their tick"


def test_a_scheduled_note_begins_on_its_tick_though_polls_are_late() -> None:
    """The bound is 50 µs (100 ticks) at the pin; prepared ahead, it is none."""
    bench = lazy()
    chance = random.Random(4)
    at = bench.tick
    begins: list[int] = []
    for start in range(1, 30):
        at += chance.randint(30_000, 60_000)
        begins.append(at)
        bench.voices(slot(7001, 60, start=start, bangs=2), at=at, lease=500_000)
        bench.advance_to(at - 20_000)
    bench.advance(40_000)
    assert set(begins) <= set(bench.starts())


@pytest.mark.parametrize(("period", "more"), [(701.25, {}), (256.5, {}), (701.25, {"bangs": 250})])
def test_what_a_late_loop_misses_is_dropped_and_moves_no_grid(
    period: float, more: dict[str, int]
) -> None:
    """Polled each 10 ms, a pulse wanted each 0.13 or 0.35 ms: fired or dropped is each."""
    bench = lazy(poll_every=20_000)
    begun = bench.tick
    bench.voices(slot(period, 20, **more), lease=500_000)
    bench.advance(400_000)
    status = bench.status().per_output[0]
    points = more.get("bangs") or (bench.tick - begun) / period
    slack = 0 if more else 20_000 / period
    assert abs(status.pulses + status.collisions_dropped - points) <= slack
    assert status.collisions_dropped > 100
    grid = {math.ceil(begun + n * period) for n in range(2000)}
    late = [start for start in bench.starts() if start not in grid]
    assert len(late) <= len(bench.starts()) / 2, "the first of a go alone is late"
    assert len(bench.starts()) > 30


@pytest.mark.parametrize("more", [{}, {"bangs": 60}])
def test_what_a_late_loop_misses_of_spread_trains_draws_all_the_same(more: dict[str, int]) -> None:
    """Two trains share one generator, and each grid point draws from it, fired or not: what a loop
    that polls each 10 ms still prepares in time lies where one that misses nothing has it."""
    trains = (slot(1500, 20, spread=100, **more), slot(2101, 20, start=2, spread=128))
    starts: list[list[int]] = []
    for bench in (lazy(poll_every=200), lazy(poll_every=20_000)):
        begun = bench.tick
        bench.voices(*trains, lease=500_000)
        bench.advance(400_000)
        starts.append([start - begun for start in bench.starts()])
        status = bench.status().per_output[0]
        assert status.guard_refusals == 0
    prompt, late = starts
    assert status.collisions_dropped > 100
    kept = set(prompt) & set(late)
    assert len(kept) > 40
    # of each go the first, and what it pushed aside, may come elsewhere: of 20 goes of 4 pulses
    assert len(late) - len(kept) <= 2 * 20
    assert max(kept) > 380_000


def test_frames_that_repeat_what_sounds_disturb_nothing() -> None:
    bench = lazy()
    bench.play_until(bench.tick + 300 * MS, slot(2500, 60))
    starts = bench.starts()[1:]
    assert {b - a for a, b in pairwise(starts)} == {2500}
    assert len(starts) > 235


def test_an_immediate_change_replaces_what_was_prepared() -> None:
    bench = lazy(poll_every=500)
    bench.voices(slot(600, 50))
    bench.advance(10_000)
    bench.voices(slot(600, 90))
    changed = bench.tick
    bench.advance(10_000)
    bench.voices()
    silenced = bench.tick
    bench.advance(20_000)
    for pulse in bench.pulses:
        if pulse.start_tick >= changed + 40:
            assert pulse.on_ticks == 90
    assert max(bench.starts()) < silenced + 40
    assert len(bench.pulses) > 25


def test_whose_turn_it_is_when_outputs_run_dry() -> None:
    """For a main loop: who runs dry first; of those that are dry already, however long, the first
    from where it asks; nobody who has all decided, nor the one left out."""
    bench = armed(*(OutputLimits(n, 400, 200, 2000, 240_000) for n in (0, 3)))
    bench.board.port(0, 40)
    assert [bench.board.urgent(n) for n in range(4)] == [4] * 4
    bench.voices(slot(3000, 20), output=0, lease=490_000)
    bench.voices(slot(3000, 20), output=3, lease=490_000)
    assert [bench.board.urgent(n) for n in range(4)] == [0, 3, 3, 3]
    assert [bench.board.urgent(n, but=3) for n in range(4)] == [0] * 4
    bench.board.port(1000, 40)
    bench.advance(2500)
    assert [bench.board.urgent(n) for n in range(4)] == [4] * 4  # decided as far as may be
    bench.board.port(0, 40)
    bench.advance(15_000)  # nobody polls: what was decided of both has long been
    bench.voices(slot(1000, 20), output=3, lease=490_000)  # and 3 begins anew: nothing is decided
    assert [bench.board.urgent(n) for n in range(4)] == [0, 3, 3, 3]


def test_what_cannot_be_withdrawn_any_more_is_counted_as_fired() -> None:
    """A frame 30 ticks before a pulse: inside the lead of 40, so it fires, and the guard knows."""
    bench = armed(OutputLimits(0, 400, 200, 3, 240_000))
    bench.board.port(200, 40)
    begun = bench.tick + 1000
    bench.voices(slot(1000, 100, bangs=2), at=begun)
    bench.advance_to(begun + 970)
    bench.voices(slot(700, 50, start=2))
    bench.advance(60 * MS)
    first = [(p.start_tick - begun, p.on_ticks) for p in bench.pulses]
    assert first[:2] == [(0, 100), (1000, 100)]
    assert len(first) == 3, "three starts a second, the one that could not be withdrawn included"
    assert bench.status().per_output[0].pulses == 3


def test_a_main_loop_that_hangs_leaves_darkness_within_the_horizon() -> None:
    bench = armed()
    bench.board.port(500, 40)
    bench.voices(slot(400, 50), lease=500_000)
    bench.advance(20_000)
    hung = bench.tick
    bench.board.port(0, 40)
    bench.advance(400 * MS)
    assert max(bench.starts()) <= hung + HORIZON
    assert len([s for s in bench.starts() if s > hung]) <= 4


def test_nothing_is_prepared_past_the_end_of_a_lease() -> None:
    """The loop hangs 1 ms before the expiry: no pulse begins at or after it."""
    bench = armed()
    expiry = bench.tick + 20_000
    bench.voices(slot(400, 50), lease=20_000)
    bench.advance_to(expiry - 700)
    bench.board.port(0, 0)
    bench.advance(100 * MS)
    assert max(bench.starts()) < expiry


def test_nothing_is_prepared_beyond_a_refusal_that_may_trip() -> None:
    """The loop hears of the 17th refusal late; no pulse of that output has started since."""
    bench = lazy(poll_every=1800)
    begun = bench.tick + 4000
    bench.voices(slot(2000, 401, bangs=17), slot(450, 50, phase=100), at=begun)
    bench.advance(60_000)
    assert bench.board.cause == Cause.GUARD_REFUSALS
    assert max(bench.starts()) <= begun + 16 * 2000 + 250
    assert len(bench.starts()) > 20


@pytest.mark.parametrize("what", ["stop", "key"])
def test_a_trip_withdraws_what_was_prepared(what: str) -> None:
    bench = lazy()
    bench.voices(slot(400, 50), slot(1000, 50))
    bench.advance(20_000)
    now = bench.tick
    if what == "stop":
        bench.send(Stop(1))
    else:
        bench.inputs(key=False)
    bench.advance(50_000)
    assert max(bench.starts()) < now
    assert bench.board.state == State.TRIPPED


def test_a_late_poll_does_not_let_a_frame_renew_a_lease_that_has_passed() -> None:
    bench = lazy(poll_every=1_000_000)
    bench.advance_to(bench.tick + 500_001)
    bench.voices()
    assert bench.board.cause == Cause.LEASE_EXPIRED


def test_a_late_poll_keeps_the_order_of_frames() -> None:
    """One frame is overdue in the queue when a newer one for now arrives: the newer one stays."""
    bench = lazy(poll_every=60_000)
    bench.voices(slot(500, 50, start=1), at=bench.tick + 20_000)
    bench.advance(30_000)
    bench.voices(slot(1234, 50, start=2))
    bench.advance(60_000)
    late = bench.starts()[1:]  # the first comes as soon as the loop allows
    assert len(late) == 3
    assert {b - a for a, b in pairwise(late)} == {1234}


def test_forgetting_what_is_already_prepared() -> None:
    bench = lazy(poll_every=500)
    at = bench.tick + 10_000
    bench.voices(slot(500, 50), at=at)
    bench.advance_to(at - 3000)  # within the horizon: prepared
    bench.voices(at=at - 1000, flags=FLAG_FORGET_LATER)
    bench.advance(50_000)
    assert bench.pulses == []


@pytest.mark.parametrize("seed", range(6))
def test_a_busy_board_with_a_slow_loop_stays_lawful(seed: int) -> None:
    chance = random.Random(seed)
    limits = [OutputLimits(n, 400, 200, 2000, 240_000, 20, 9600, 100, 30_000) for n in range(4)]
    bench = armed(*limits)
    bench.board.port(chance.choice((300, 1300, 2500, 5000)), chance.choice((0, 40, 250)))
    for _ in range(60):
        for output in range(4):
            bench.voices(
                *[slot(chance.randint(800, 9000), 60, start=chance.randint(0, 2)) for _ in "abcd"],
                output=output,
                at=chance.choice((None, bench.tick + chance.randint(0, 50_000))),
            )
        bench.advance(chance.randint(1000, 70_000))
        if bench.board.state == State.TRIPPED:
            bench.reset_trip()
            bench.arm()
    bench.advance(10_000)
    assert len(bench.pulses) > 1000
    assert bench.board.broken_offers == 0
    for one in limits:
        assert unlawful([p for p in bench.pulses if p.output == one.output], one) == []
    assert {p.on_ticks for p in bench.pulses} <= set(range(1, 61))
