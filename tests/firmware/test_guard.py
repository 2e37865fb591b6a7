"""The guard of the C core, function by function: every bound one tick below, at and above it.

Numbers are worked out by hand from PROTOCOL.md, section 9. What is prepared and not yet started
must count as if it had; what is withdrawn, as if it had never been.
"""

from __future__ import annotations

import ctypes
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.link.simulated_guard import OutputGuard
from firmware_protocol.catalogue import GuardReason
from firmware_protocol.messages import Ceilings, OutputLimits
from tests.link.board_bench import LIMITS

from .library import CCeilings, CLimits, CUptime, library

CEILINGS = Ceilings(800, 200, 2000, 240_000)
SECOND = 2_000_000
SLOT_1S = 62_525
"""By hand: (2,000,000 + 800) / 32."""
M32 = 0xFFFF_FFFF
NONE = GuardReason.NONE


def c_limits(one: OutputLimits) -> CLimits:
    return CLimits(
        CCeilings(one.max_on_ticks, one.min_off_ticks, one.max_starts_1s, one.max_duty_1s_ticks),
        one.window2_ms,
        one.window3_ms,
        one.window2_ticks,
        one.window3_ticks,
    )


class Guard:
    """One `struct guard`; ticks may be extended."""

    def __init__(self, limits: OutputLimits | None = LIMITS, origin: int = 0) -> None:
        self.core = library()
        self.memory = ctypes.create_string_buffer(self.core.cw_guard_size())
        self.origin = origin
        self.core.guard_start(self.memory, CEILINGS.max_on_ticks, origin & M32)
        if limits is not None:
            self.set_limits(limits, origin)

    def set_limits(self, limits: OutputLimits, now: int) -> None:
        uptime = now - self.origin
        self.core.guard_set_limits(
            self.memory, c_limits(limits), now & M32, CUptime(uptime >> 32, uptime & M32)
        )

    def judge(self, start: int, on: int) -> int:
        return self.core.guard_judge(self.memory, start & M32, on)

    def prepare(self, start: int, on: int) -> int:
        """Judges, and prepares what is lawful."""
        reason = self.judge(start, on)
        if reason == NONE:
            assert self.core.guard_prepare(self.memory, start & M32, on)
        return reason

    def started(self) -> None:
        assert self.core.guard_started(self.memory)

    def take(self, start: int, on: int) -> int:
        """Judges, and fires what is lawful."""
        reason = self.prepare(start, on)
        if reason == NONE:
            self.started()
        return reason

    def withdraw(self, kept: int = 0) -> None:
        self.core.guard_withdrawn(self.memory, kept)

    def cut(self, now: int) -> None:
        self.core.guard_cut(self.memory, now & M32)

    def go_on(self, now: int) -> None:
        self.core.guard_pass(self.memory, now & M32)


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


SLOT_CASES = [
    (replace(LIMITS, max_starts_1s=1), SLOT_1S, GuardReason.RATE),
    (replace(LIMITS, max_duty_1s_ticks=400), SLOT_1S, GuardReason.DUTY_1S),
    (replace(LIMITS, window2_ms=5, window2_ticks=400), 338, GuardReason.DUTY_SECOND),
    (replace(LIMITS, window3_ms=1000, window3_ticks=400), SLOT_1S, GuardReason.DUTY_THIRD),
    # (20,000,000 + 800) / 32 = 625,025: more light in a slot than 16 bits hold is possible
    (replace(LIMITS, window3_ms=10_000, window3_ticks=400), 625_025, GuardReason.DUTY_THIRD),
]


@pytest.mark.parametrize("origin", [0, 12_345, 2**32 - 100_000])
@pytest.mark.parametrize("case", SLOT_CASES)
@pytest.mark.parametrize("steps", [0, 1, 5, 40])
@pytest.mark.parametrize("into_slot", [0, 17, -1])
def test_a_pulse_is_remembered_for_33_slots_and_no_longer(
    case: tuple[OutputLimits, int, GuardReason], origin: int, steps: int, into_slot: int
) -> None:
    """Slots are counted from the start of the program: the pulse's and 32 more."""
    limits, slot_length, reason = case
    one = Guard(limits, origin)
    started = origin + 5 * slot_length + into_slot % slot_length
    assert one.take(started, 400) == NONE
    forgotten = origin + (5 + 33) * slot_length
    for n in range(1, steps + 1):  # time passes, in one go or in steps
        one.go_on(started + (forgotten - 1 - started) * n // steps)
    assert one.take(forgotten - 1, 400) == reason
    assert one.take(forgotten, 400) == NONE


@pytest.mark.parametrize("case", SLOT_CASES)
def test_a_pulse_on_the_next_boundary_counts_in_the_slot_that_begins(
    case: tuple[OutputLimits, int, GuardReason],
) -> None:
    limits, slot_length, reason = case
    one = Guard(limits)
    assert one.take(slot_length, 400) == NONE
    assert one.take((1 + 33) * slot_length - 1, 400) == reason
    assert one.take((1 + 33) * slot_length, 400) == NONE


@pytest.mark.parametrize("light", [65_535, 65_536, 65_537, 131_072, 196_608, 240_000])
@pytest.mark.parametrize("passes", [True, False])
def test_all_the_light_of_a_slot_leaves_the_sum_with_it(light: int, passes: bool) -> None:
    """Whatever its bits: afterwards exactly as much is lawful as before it."""
    limits = OutputLimits(0, 800, 200, 2000, 240_000, 10_000, 240_500)
    one, slot_length = Guard(limits), 625_025
    on = [800] * (light // 800) + ([light % 800] if light % 800 else [])
    assert [one.take(1000 * n, ticks) for n, ticks in enumerate(on)] == [0] * len(on)
    begun = 33 * slot_length  # the slots of the 1 s window have all left, too
    if passes:
        one.go_on(begun)
    assert [one.take(begun + 1000 * n, 800) for n in range(300)] == [0] * 300
    later = begun + 3 * SECOND
    assert one.take(later, 501) == GuardReason.DUTY_SECOND
    assert one.take(later, 500) == NONE


@pytest.mark.parametrize("slots_later", [33, 34, 40, 66])
def test_a_look_far_ahead_takes_each_slot_off_once(slots_later: int) -> None:
    """One pulse in the oldest slot and one in the newest, then a judgement without a pass."""
    one = Guard(replace(LIMITS, max_duty_1s_ticks=800, max_starts_1s=2))
    newest = 32 * SLOT_1S
    assert [one.take(100, 400), one.take(newest, 400)] == [0, 0]
    assert one.judge(newest + slots_later * SLOT_1S, 400) == NONE


def test_half_a_turn_away_nobody_can_tell_before_from_after() -> None:
    """Without a pass in 18 minutes: what may lie before the last pulse is refused."""
    one = Guard()
    one.take(1000, 100)
    assert one.judge(1100 + 2**31 - 1, 100) == NONE
    assert one.judge(1100 + 2**31, 100) == GuardReason.OFF_TIME


def test_a_slot_holds_more_than_16_bits_of_light() -> None:
    """300 pulses of 800 ticks in one slot of a 10 s window: 240,000 ticks, 18 bits."""
    one = Guard(OutputLimits(0, 800, 200, 2000, 240_000, 10_000, 240_500))
    fired = [one.take(1000 * n, 800) for n in range(300)]
    assert fired == [0] * 300
    seconds_later = 3 * SECOND
    assert one.take(seconds_later, 501) == GuardReason.DUTY_SECOND
    assert one.take(seconds_later, 500) == NONE


UPTIMES = [
    *(1, 337, 338, 2**32 - 1, 2**32, 2**32 + 338, 3 * 2**40 + 12_345, 2**63 + 12_345),
    (338 << 32) + 2**31 + 1,  # a slot's length, and more bits after it
]


@pytest.mark.parametrize("uptime", UPTIMES)
def test_a_window_added_later_has_the_slots_of_the_program(uptime: int) -> None:
    """Boundaries are multiples of the slot (338 ticks) from the start, however long ago."""
    origin = 777
    one = Guard(LIMITS, origin)
    now = origin + uptime
    one.set_limits(replace(LIMITS, window2_ms=5, window2_ticks=400), now)
    boundary = origin + (uptime // 338 + 1) * 338
    assert one.take(boundary - 1, 400) == NONE
    assert one.judge(boundary + 32 * 338 - 1, 1) == GuardReason.DUTY_SECOND
    assert one.judge(boundary + 32 * 338, 1) == NONE


def test_tightening_a_window_does_not_empty_it() -> None:
    one = Guard(replace(LIMITS, window2_ms=20, window2_ticks=1000))
    assert one.take(1000, 400) == NONE
    assert one.prepare(2000, 400) == NONE
    one.set_limits(replace(LIMITS, window2_ms=20, window2_ticks=900), 2600)
    assert one.judge(3000, 101) == GuardReason.DUTY_SECOND
    assert one.judge(3000, 100) == NONE


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


def test_a_tick_before_the_newest_slot_counts_in_it() -> None:
    """A pulse of the next slot was cut at once; the one asked for then lies in the slot before."""
    one = Guard(replace(LIMITS, window2_ms=5, window2_ticks=400))
    assert one.take(338, 400) == NONE  # slots are 338 ticks
    one.go_on(339)
    one.cut(100)
    assert one.judge(337, 1) == GuardReason.DUTY_SECOND


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
