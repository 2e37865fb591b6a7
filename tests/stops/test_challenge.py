"""The button's loop in simulated steps: what is noticed, and within how many steps at most."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from bridge.stops.challenge import (
    CLOSED_AFTER_STEPS,
    STEPS_TO_NOTICE,
    Challenge,
    Finding,
    pattern_bit,
)
from bridge.stops.condition import Condition

Line = Callable[[bool, int], bool]
"""(level on RTS, number of the step) → what CTS says."""

CLOSED: Line = lambda rts, step: rts  # noqa: E731
OPEN: Line = lambda rts, step: False  # noqa: E731
STUCK_HIGH: Line = lambda rts, step: True  # noqa: E731
ANTI: Line = lambda rts, step: not rts  # noqa: E731
PERIODS = [1, 2, 3, 4, 5, 7]


def oscillating(period: int, phase: int) -> Line:
    """A square of its own: `period` steps high, `period` steps low."""
    return lambda rts, step: (step + phase) // period % 2 == 0


def steps(challenge: Challenge, line: Line, count: int) -> list[Finding]:
    return [challenge.answer(line(challenge.level, step)) for step in range(count)]


def closed(seed: int = 1, more: int = 0) -> Challenge:
    challenge = Challenge(seed)
    assert steps(challenge, CLOSED, CLOSED_AFTER_STEPS + more)[-1].condition is Condition.CLOSED
    return challenge


def test_the_row_is_of_maximal_length_with_64_ones() -> None:
    # A maximal-length row of degree n has period 2**n - 1 with 2**(n-1) ones (Golomb's first
    # postulate; from memory).
    state, bits, states = 1, [], set[int]()
    for _ in range(127):
        states.add(state)
        state, bit = pattern_bit(state)
        bits.append(bit)
    assert state == 1
    assert len(states) == 127
    assert sum(bits) == 64


@pytest.mark.parametrize("seed", [0, 128, -1])
def test_a_row_that_would_stand_still_is_refused(seed: int) -> None:
    with pytest.raises(ValueError, match=r"1\.\.127"):
        Challenge(seed)


def test_no_level_is_missing_from_three_steps_in_a_row() -> None:
    challenge = Challenge()
    levels: list[bool] = []
    for _ in range(600):
        levels.append(challenge.level)
        challenge.answer(challenge.level)
    assert max(len(list(same)) for _, same in itertools.groupby(levels)) == 2


def test_a_whole_loop_stays_closed_for_ever() -> None:
    challenge = closed()
    assert {f.condition for f in steps(challenge, CLOSED, 3000)} == {Condition.CLOSED}


@pytest.mark.parametrize("line", [OPEN, STUCK_HIGH, ANTI], ids=["open", "stuck high", "inverted"])
@pytest.mark.parametrize("seed", range(1, 128))
def test_whenever_it_happens_it_is_noticed_within_the_bound(line: Line, seed: int) -> None:
    for after in range(0, 12):
        challenge = closed(seed, after)
        found = steps(challenge, line, STEPS_TO_NOTICE)
        assert found[-1].condition is not Condition.CLOSED
        assert next(f for f in found if f.condition is not Condition.CLOSED).detail


def test_open_is_a_press_and_stuck_high_is_broken() -> None:
    assert steps(closed(), OPEN, 20)[-1] == Finding(Condition.PRESSED, "the loop is open")
    stuck = steps(closed(), STUCK_HIGH, 20)
    assert Condition.PRESSED not in {f.condition for f in stuck}
    assert stuck[-1] == Finding(Condition.BROKEN, "the line is stuck high")


@pytest.mark.parametrize("period", PERIODS)
def test_a_line_that_oscillates_never_counts_as_closed(period: int) -> None:
    for phase, seed in itertools.product(range(2 * period), (1, 17, 90)):
        challenge = Challenge(seed)
        found = steps(challenge, oscillating(period, phase), 2000)
        assert Condition.CLOSED not in {f.condition for f in found}
        assert found[-1].condition is Condition.BROKEN


@pytest.mark.parametrize("period", PERIODS)
def test_a_whole_loop_that_begins_to_oscillate_is_noticed(period: int) -> None:
    for phase, seed in itertools.product(range(2 * period), range(1, 128)):
        found = steps(closed(seed), oscillating(period, phase), CLOSED_AFTER_STEPS * 2)
        assert found[-1].condition is not Condition.CLOSED


def test_one_wrong_answer_is_noise() -> None:
    challenge = closed()
    assert challenge.answer(not challenge.level).condition is Condition.CLOSED
    assert {f.condition for f in steps(challenge, CLOSED, 50)} == {Condition.CLOSED}


def test_closing_again_takes_its_time() -> None:
    challenge = closed()
    steps(challenge, OPEN, 10)
    found = steps(challenge, CLOSED, CLOSED_AFTER_STEPS + 4)
    assert [f.condition for f in found[: CLOSED_AFTER_STEPS - 1]].count(Condition.CLOSED) == 0
    assert found[-1].condition is Condition.CLOSED
