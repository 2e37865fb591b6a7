"""The sliding windows of the C core's guard: what counts in which slot, and when it is forgotten.

Numbers are worked out by hand from PROTOCOL.md, section 9.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from firmware_protocol.catalogue import GuardReason
from firmware_protocol.messages import OutputLimits
from tests.link.board_bench import LIMITS

from .guard_bench import NONE, SECOND, SLOT_1S, Guard

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


def test_a_tick_before_the_newest_slot_counts_in_it() -> None:
    """A pulse of the next slot was cut at once; the one asked for then lies in the slot before."""
    one = Guard(replace(LIMITS, window2_ms=5, window2_ticks=400))
    assert one.take(338, 400) == NONE  # slots are 338 ticks
    one.go_on(339)
    one.cut(100)
    assert one.judge(337, 1) == GuardReason.DUTY_SECOND
