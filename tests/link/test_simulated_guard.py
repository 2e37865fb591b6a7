"""The guard: every bound one tick below, at and above it; then hostile hosts against brute force.

The brute force (`worst_window`, `most_starts`) knows nothing of slots: it looks at every window
that begins or ends at an edge of a pulse, where the true maximum lies.
"""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.link.simulated_controller import Pulse
from bridge.link.simulated_guard import OutputGuard, slot_ticks
from firmware_protocol.catalogue import Cause, GuardReason, State
from firmware_protocol.messages import Ceilings, OutputLimits, Slot

from .board_bench import BOARD, LIMITS, MS, Bench, slot

CEILINGS = Ceilings(800, 200, 2000, 240_000)
SECOND = 2_000_000
SLOT_1S = 62_525
"""By hand: (2,000,000 + 800) / 32 = 62,525."""


def guard(limits: OutputLimits = LIMITS, origin: int = 0) -> OutputGuard:
    made = OutputGuard(CEILINGS, origin)
    made.set_limits(limits)
    return made


def test_slot_length_of_the_page() -> None:
    assert slot_ticks(SECOND, 800) == SLOT_1S
    assert slot_ticks(10_000, 800) == 338  # 10,800 / 32 = 337.5, rounded up


def test_without_limits_nothing_fires() -> None:
    assert OutputGuard(CEILINGS, 0).take(0, 1) != GuardReason.NONE


@pytest.mark.parametrize(("on", "reason"), [(399, 0), (400, 0), (401, 1), (20_000, 1)])
def test_on_time_at_its_edge(on: int, reason: int) -> None:
    assert guard().take(1000, on) == reason


@pytest.mark.parametrize(("gap", "reason"), [(199, 2), (200, 0), (201, 0)])
def test_off_time_at_its_edge(gap: int, reason: int) -> None:
    one = guard()
    assert one.take(1000, 100) == GuardReason.NONE
    assert one.take(1100 + gap, 100) == reason


def test_off_time_counts_from_where_a_pulse_was_cut() -> None:
    one = guard()
    one.take(1000, 400)
    one.ended_early(1050)
    assert one.take(1249, 100) == GuardReason.OFF_TIME
    assert one.take(1250, 100) == GuardReason.NONE


@pytest.mark.parametrize(("starts", "reason"), [(9, 0), (10, 0), (11, GuardReason.RATE)])
def test_rate_at_its_edge(starts: int, reason: int) -> None:
    one = guard(replace(LIMITS, max_starts_1s=10))
    results = [one.take(1000 * n, 1) for n in range(starts)]
    assert results[:10] == [0] * min(starts, 10)
    assert results[-1] == reason


@pytest.mark.parametrize(("last", "reason"), [(99, 0), (100, 0), (101, GuardReason.DUTY_1S)])
def test_duty_of_one_second_at_its_edge(last: int, reason: int) -> None:
    one = guard(replace(LIMITS, max_duty_1s_ticks=1000))
    assert [one.take(10_000 * n, 300) for n in range(3)] == [0, 0, 0]
    assert one.take(60_000, last) == reason


@pytest.mark.parametrize(
    ("limits", "reason"),
    [
        (replace(LIMITS, window2_ms=20, window2_ticks=1000), GuardReason.DUTY_SECOND),
        (replace(LIMITS, window3_ms=20, window3_ticks=1000), GuardReason.DUTY_THIRD),
    ],
)
@pytest.mark.parametrize("over", [-1, 0, 1])
def test_short_windows_at_their_edge(limits: OutputLimits, reason: GuardReason, over: int) -> None:
    one = guard(limits)
    assert [one.take(1000 * n, 300) for n in range(3)] == [0, 0, 0]
    assert one.take(5000, 100 + over) == (reason if over > 0 else 0)


@pytest.mark.parametrize("origin", [0, 12_345])
@pytest.mark.parametrize(
    ("limits", "slot_length", "reason"),
    [
        (replace(LIMITS, max_starts_1s=1), SLOT_1S, GuardReason.RATE),
        (replace(LIMITS, max_duty_1s_ticks=400), SLOT_1S, GuardReason.DUTY_1S),
        (replace(LIMITS, window2_ms=5, window2_ticks=400), 338, GuardReason.DUTY_SECOND),
        (replace(LIMITS, window3_ms=1000, window3_ticks=400), SLOT_1S, GuardReason.DUTY_THIRD),
    ],
)
def test_a_pulse_is_remembered_for_33_slots_and_no_longer(
    limits: OutputLimits, slot_length: int, reason: GuardReason, origin: int
) -> None:
    """Slots are counted from the start of the program: the pulse's and 32 more."""
    one = guard(limits, origin)
    started = origin + 5 * slot_length + 17
    assert one.take(started, 400) == GuardReason.NONE
    forgotten = origin + (5 + 33) * slot_length
    assert one.take(forgotten - 1, 400) == reason
    assert one.take(forgotten, 400) == GuardReason.NONE


def test_a_refused_pulse_is_not_counted() -> None:
    one = guard(replace(LIMITS, max_starts_1s=2))
    assert one.take(0, 401) == GuardReason.ON_TIME
    assert [one.take(1000, 1), one.take(2000, 1), one.take(3000, 1)] == [0, 0, GuardReason.RATE]


def test_the_first_reason_that_applies_is_the_one() -> None:
    tight = OutputLimits(0, 100, 200, 1, 100, 5, 100, 10, 100)
    one = guard(tight)
    assert one.take(0, 100) == GuardReason.NONE
    assert one.take(150, 101) == GuardReason.ON_TIME
    assert one.take(150, 100) == GuardReason.OFF_TIME
    assert one.take(300, 100) == GuardReason.RATE


def test_sums_outlive_disarm_and_trip() -> None:
    """Arming again does not give a second helping."""
    bench = Bench().armed(replace(LIMITS, max_starts_1s=5))
    bench.voices(slot(1000, bangs=5))
    bench.advance(10_000)
    assert bench.status().per_output[0].pulses == 5
    bench.board.internal_fault(bench.tick)
    bench.reset_trip()
    bench.arm()
    bench.voices(slot(1000, bangs=1))
    bench.advance(10_000)
    output = bench.status().per_output[0]
    assert (output.pulses, output.guard_refusals, output.last_guard_reason) == (5, 1, 3)
    assert output.refused_for == (0, 0, 1, 0, 0, 0)


@pytest.mark.parametrize(("refusals", "state"), [(16, State.ARMED), (17, State.TRIPPED)])
def test_more_than_16_refusals_trip(refusals: int, state: State) -> None:
    bench = Bench().armed()
    bench.voices(slot(1000, 401, bangs=refusals))
    bench.advance(50_000)
    assert bench.board.state == state
    assert bench.board.cause == (Cause.GUARD_REFUSALS if refusals > 16 else Cause.NONE)
    assert bench.status().per_output[0].guard_refusals == refusals


# -- hostile hosts against exact windows ---------------------------------------------------------


def worst_window(starts: np.ndarray, ends: np.ndarray, window: int) -> int:
    """The most on-time in any window of `window` ticks, by every edge of every pulse."""
    edges = np.concatenate((starts, ends))
    begins = np.concatenate((edges, edges - window))
    clipped_starts = np.maximum(starts[None, :], begins[:, None])
    clipped_ends = np.minimum(ends[None, :], begins[:, None] + window)
    return int(np.maximum(clipped_ends - clipped_starts, 0).sum(axis=1).max())


def most_starts(starts: np.ndarray, window: int) -> int:
    """The most starts in any half-open window."""
    return max(int(((starts >= t) & (starts < t + window)).sum()) for t in starts)


def test_the_brute_force_itself() -> None:
    starts, ends = np.array([0, 100, 1000]), np.array([50, 150, 1050])
    assert worst_window(starts, ends, 1_050) == 150
    assert worst_window(starts, ends, 1_049) == 149
    assert worst_window(starts, ends, 30) == 30
    assert most_starts(starts, 100) == 1
    assert most_starts(starts, 101) == 2


def violations(pulses: list[Pulse], limits: OutputLimits) -> list[str]:
    """All that `limits` forbid, among the pulses of one output."""
    if not pulses:
        return []
    starts = np.array([p.start_tick for p in pulses])
    ends = starts + np.array([p.on_ticks for p in pulses])
    found: list[str] = []
    if (ends - starts).max() > limits.max_on_ticks:
        found.append("on-time")
    if len(starts) > 1 and (starts[1:] - ends[:-1]).min() < limits.min_off_ticks:
        found.append("off-time")
    if most_starts(starts, SECOND) > limits.max_starts_1s:
        found.append("rate")
    for window, most in (
        (SECOND, limits.max_duty_1s_ticks),
        (limits.window2_ms * MS, limits.window2_ticks),
        (limits.window3_ms * MS, limits.window3_ticks),
    ):
        if window and worst_window(starts, ends, window) > most:
            found.append(f"duty in {window} ticks")
    return found


def draw_limits(chance: random.Random, output: int) -> OutputLimits:
    max_on = chance.choice((1, 50, 400, 800))
    window2 = chance.choice((0, 5, 50))
    window3 = chance.choice((0, 10, 200, 1000))
    return OutputLimits(
        output,
        max_on,
        chance.choice((200, 201, 3000)),
        chance.choice((3, 60, 2000)),
        chance.choice((max_on, 20 * max_on, 240_000)),
        window2,
        chance.randint(max_on, 6 * max_on) if window2 else 0,
        window3,
        chance.randint(max_on, 30 * max_on) if window3 else 0,
    )


def hostile_slot(chance: random.Random, max_on: int) -> Slot | None:
    if chance.random() < 0.2:
        return None
    return Slot(
        start=chance.randrange(256),
        bangs=chance.choice((0, 1, 7)),
        spread=chance.choice((0, 128)),
        phase=chance.choice((0, 0, 200)),
        on_ticks=chance.choice((max_on, max_on, max_on, max_on + 1, 20_000, 1)),
        step=chance.choice((0, 1000)),
        period=256 * chance.choice((200, 350, 601, 1200, 2500, 9000)),
    )


def hostile_performance(bench: Bench, seed: int) -> list[OutputLimits]:
    """A few seconds of a host that asks for everything and re-arms after every trip.

    `bench`: not armed yet. Returns the limits that were set.
    """
    chance = random.Random(seed)
    limits = [draw_limits(chance, 0), draw_limits(chance, 3)]
    bench.armed(*limits)
    for _ in range(40):
        one = chance.choice(limits)
        slots = [hostile_slot(chance, one.max_on_ticks) for _ in range(4)]
        ahead = chance.choice((None, None, None, bench.tick + 500, bench.tick - 100))
        bench.voices(*slots, output=one.output, at=ahead)
        bench.advance(chance.choice((0, 100, 3000, 20_000, 74_000, 190_000)))
        if bench.board.state == State.TRIPPED:
            bench.reset_trip()
        if bench.board.state == State.LOCKED:
            bench.advance(chance.choice((0, 5000, 300_000)))
            bench.arm()
    bench.advance(5000)
    return limits


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from((0, 777, 2**32 - 3_000_000)))
def test_nothing_beyond_the_limits_is_ever_emitted(seed: int, first_tick: int) -> None:
    bench = Bench(replace(BOARD, first_tick=first_tick))
    limits = hostile_performance(bench, seed)
    pulses = bench.pulses
    for one in limits:
        mine = [p for p in pulses if p.output == one.output]
        assert violations(mine, one) == []
    assert {p.output for p in pulses} <= {0, 3}


def test_the_hostile_hosts_do_press_against_every_limit() -> None:
    """Else the property above would prove little: each reason refuses, and pulses get through."""
    reasons: set[int] = set()
    fired = 0
    for seed in range(80):
        chance = random.Random(seed)
        limits = draw_limits(chance, 0)
        bench = Bench().armed(limits)
        for _ in range(20):
            bench.voices(*[hostile_slot(chance, limits.max_on_ticks) for _ in range(4)])
            bench.advance(10_000)
            reasons.add(bench.status().per_output[0].last_guard_reason)
            if bench.board.state == State.TRIPPED:
                bench.reset_trip()
                bench.arm()
        fired += len(bench.pulses)
    # off-time cannot be refused: the scheduler waits for it
    assert reasons == set(GuardReason) - {GuardReason.OFF_TIME}
    assert fired > 300
