"""The guard of the C core, function by function: every bound one tick below, at and above it.

Numbers are worked out by hand from PROTOCOL.md, section 9. What is prepared and not yet started
must count as if it had; what is withdrawn, as if it had never been. When it is forgotten:
test_guard_windows.py.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.link.simulated_guard import OutputGuard
from firmware_protocol.catalogue import GuardReason
from firmware_protocol.messages import OutputLimits
from tests.link.board_bench import LIMITS

from .guard_bench import CEILINGS, NONE, Guard


def test_without_limits_nothing_fires() -> None:
    assert Guard(None).take(0, 1) == GuardReason.ON_TIME


@pytest.mark.parametrize(("on", "reason"), [(1, 0), (399, 0), (400, 0), (401, 1), (20_000, 1)])
def test_on_time_at_its_edge(on: int, reason: int) -> None:
    assert Guard().take(1000, on) == reason


@pytest.mark.parametrize("prepared_only", [False, True])
@pytest.mark.parametrize("origin", [0, 2**32 - 1050])
@pytest.mark.parametrize(("gap", "reason"), [(-150, 2), (0, 2), (199, 2), (200, 0), (201, 0)])
def test_off_time_at_its_edge(gap: int, reason: int, origin: int, prepared_only: bool) -> None:
    one = Guard(origin=origin)
    first = one.prepare if prepared_only else one.take
    assert first(origin + 1000, 100) == NONE
    assert one.prepare(origin + 1100 + gap, 100) == reason


def test_off_time_counts_from_where_a_pulse_was_cut() -> None:
    one = Guard()
    one.take(1000, 400)
    one.cut(1050)
    assert one.judge(1249, 100) == GuardReason.OFF_TIME
    assert one.judge(1250, 100) == NONE


def test_off_time_is_not_forgotten_too_early_nor_remembered_for_ever() -> None:
    """Half a turn of the tick later the end of a pulse must not look like one to come."""
    one = Guard(replace(LIMITS, min_off_ticks=65_535))
    one.take(1000, 100)
    one.go_on(1100 + 65_534)
    assert one.judge(1100 + 65_534, 100) == GuardReason.OFF_TIME
    one.go_on(1100 + 65_535)
    assert one.judge(1100 + 65_535, 100) == NONE
    one.take(1100 + 65_535, 100)
    tick = 200_000
    while tick < 2**31 + 2_000_000:
        one.go_on(tick)
        tick += 50_000_000
    assert one.judge(2**31 + 500_000, 100) == NONE


def test_a_pulse_under_way_is_never_forgotten() -> None:
    one = Guard()
    one.take(1000, 400)
    one.go_on(1200)
    assert one.judge(1300, 100) == GuardReason.OFF_TIME


@pytest.mark.parametrize("prepared_only", [False, True])
@pytest.mark.parametrize(("starts", "reason"), [(2, 0), (3, 0), (4, GuardReason.RATE)])
def test_rate_at_its_edge(starts: int, reason: int, prepared_only: bool) -> None:
    one = Guard(replace(LIMITS, max_starts_1s=3))
    fire = one.prepare if prepared_only else one.take
    results = [fire(1000 * n, 1) for n in range(starts)]
    assert results[:3] == [0] * min(starts, 3)
    assert results[-1] == reason


BOUNDS = [
    (replace(LIMITS, max_duty_1s_ticks=1000), GuardReason.DUTY_1S),
    (replace(LIMITS, window2_ms=20, window2_ticks=1000), GuardReason.DUTY_SECOND),
    (replace(LIMITS, window3_ms=20, window3_ticks=1000), GuardReason.DUTY_THIRD),
]


@pytest.mark.parametrize("prepared_only", [False, True])
@pytest.mark.parametrize(("limits", "reason"), BOUNDS)
@pytest.mark.parametrize("over", [-1, 0, 1])
def test_duty_at_its_edge(
    limits: OutputLimits, reason: GuardReason, over: int, prepared_only: bool
) -> None:
    one = Guard(limits)
    fire = one.prepare if prepared_only else one.take
    assert [fire(1000 * n, 300) for n in range(3)] == [0, 0, 0]
    assert fire(5000, 100 + over) == (reason if over > 0 else 0)


@pytest.mark.parametrize(("limits", "reason"), BOUNDS)
def test_what_was_withdrawn_does_not_count(limits: OutputLimits, reason: GuardReason) -> None:
    one = Guard(limits)
    assert [one.take(1000 * n, 300) for n in range(2)] == [0, 0]
    assert one.prepare(2000, 400) == NONE
    assert one.judge(3000, 1) == reason
    one.withdraw()
    assert one.judge(1500, 400) == NONE


@pytest.mark.parametrize(("limits", "reason"), BOUNDS)
def test_what_could_not_be_withdrawn_counts(limits: OutputLimits, reason: GuardReason) -> None:
    """Three prepared, the oldest two too near their start: those count, the third does not."""
    one = Guard(limits)
    assert one.take(0, 100) == NONE
    assert [one.prepare(1000, 400), one.prepare(2000, 300), one.prepare(3000, 100)] == [0, 0, 0]
    one.withdraw(2)
    end = 2300 + limits.min_off_ticks
    assert one.judge(end - 1, 10) == GuardReason.OFF_TIME
    assert one.judge(end, 200) == NONE
    assert one.judge(end, 201) == reason
    one.withdraw(3)  # more than there are: all
    assert one.judge(end, 201) == reason
    one.started()
    one.started()
    assert not one.core.guard_started(one.memory), "the third was forgotten"


def test_not_more_than_four_are_prepared() -> None:
    one = Guard()
    assert [one.prepare(1000 * n, 10) for n in range(4)] == [0] * 4
    assert not one.core.guard_prepare(one.memory, 9000, 10)
    for _ in range(4):
        one.started()
    assert not one.core.guard_started(one.memory)


def test_half_a_turn_away_nobody_can_tell_before_from_after() -> None:
    """Without a pass in 18 minutes: what may lie before the last pulse is refused."""
    one = Guard()
    one.take(1000, 100)
    assert one.judge(1100 + 2**31 - 1, 100) == NONE
    assert one.judge(1100 + 2**31, 100) == GuardReason.OFF_TIME


def test_the_first_reason_that_applies_is_the_one() -> None:
    one = Guard(OutputLimits(0, 100, 200, 1, 100, 5, 100, 10, 100))
    assert one.take(0, 100) == NONE
    assert one.take(150, 101) == GuardReason.ON_TIME
    assert one.take(150, 100) == GuardReason.OFF_TIME
    assert one.take(300, 100) == GuardReason.RATE
    looser = Guard(OutputLimits(0, 100, 200, 9, 100, 5, 100, 10, 100))
    assert looser.take(0, 100) == NONE
    assert looser.take(300, 100) == GuardReason.DUTY_1S
    looser = Guard(OutputLimits(0, 100, 200, 9, 1000, 5, 100, 10, 100))
    assert looser.take(0, 100) == NONE
    assert looser.take(300, 100) == GuardReason.DUTY_SECOND


def test_a_refused_pulse_is_not_counted() -> None:
    one = Guard(replace(LIMITS, max_starts_1s=2))
    assert one.take(0, 401) == GuardReason.ON_TIME
    assert [one.take(1000, 1), one.take(2000, 1), one.take(3000, 1)] == [0, 0, GuardReason.RATE]


TIGHT = st.builds(
    OutputLimits,
    st.just(0),
    st.sampled_from((100, 400, 800)),
    st.sampled_from((200, 500)),
    st.sampled_from((3, 20, 2000)),
    st.sampled_from((1000, 8000, 240_000)),
    st.sampled_from((0, 5, 37)),
    st.sampled_from((400, 3000)),
    st.sampled_from((0, 10, 1000, 10_000)),
    st.sampled_from((400, 3000)),
)


@settings(max_examples=150, deadline=None)
@given(
    TIGHT,
    st.sampled_from((0, 12_345, 2**32 - 60_000, 2**31)),
    st.lists(
        st.tuples(
            st.one_of(
                st.integers(0, 2500),
                st.sampled_from((0, 338, 10_800, 62_525, 33 * 62_525, 2**22)),
            ),
            st.sampled_from((1, 100, 101, 400, 800)),
            st.integers(0, 5),
        ),
        min_size=5,
        max_size=80,
    ),
)
def test_it_judges_as_the_model_does(
    limits: OutputLimits, origin: int, asks: list[tuple[int, int, int]]
) -> None:
    """Prepared one to four ahead and started later, sometimes withdrawn and asked again."""
    one, model = Guard(limits, origin), OutputGuard(CEILINGS, origin)
    model.set_limits(limits)
    tick, prepared = origin, 0
    for wait, on, what in asks:
        tick += wait
        if what == 0 or wait > 8000:  # as the core: nothing is prepared farther ahead
            while prepared:
                one.started()
                prepared -= 1
            one.go_on(tick)
        if prepared == 4:
            one.started()
            prepared -= 1
        if prepared == 0 and what == 1:
            one.prepare(tick, on)
            one.withdraw()
        reason = one.prepare(tick, on)
        assert reason == model.take(tick, on)
        prepared += reason == NONE
