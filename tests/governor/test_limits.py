"""Limits for the guard and allowances for the governor, against plain arithmetic."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.config import Coil
from bridge.governor.limits import (
    check_coil,
    duty_allowances,
    guard_limits,
    longest_on_time_us,
    off_time_us,
    rate_allowance,
    shortest_on_time_us,
)
from firmware_protocol.messages import OutputLimits
from tests.governor.stage import coil
from tests.pulse_checker import worst_slot_sum

SLOW, FAST = Fraction(995, 1000), Fraction(1005, 1000)  # ceramic resonator, common practice

coils = st.builds(
    lambda low, more, off, rate, percents, windows: coil(
        min_on_time_us=low,
        max_on_time_us=low + more,
        min_off_time_us=off,
        max_break_rate_hz=rate,
        duty_windows=[
            {"window_ms": w, "max_percent": p} for w, p in zip(windows, percents, strict=True)
        ],
    ),
    st.integers(5, 200),
    st.integers(3, 200),
    st.integers(100, 2000),
    st.integers(30, 2000),
    st.lists(st.floats(0.5, 12), min_size=2, max_size=2),
    st.lists(st.integers(5, 9000), min_size=2, max_size=2, unique=True),
)


def test_a_coil_worked_by_hand() -> None:
    # 150 µs · 2 ticks · 0.995 = 298.5; 300 µs · 2 · 1.005 = 603; 900 · 0.995 = 895.5;
    # 4 % of 2,000,000 · 0.995 = 79,600; 100 ms at 6 %: 12,000 · 0.995 = 11,940, and
    # 200,000 · 1.005 + 298 - 800 = 200,498 ticks = 101 whole ms.
    limits = guard_limits(
        coil(
            output=3,
            duty_windows=[
                {"window_ms": 100, "max_percent": 6},
                {"window_ms": 1000, "max_percent": 4},
            ],
        )
    )
    assert limits == OutputLimits(2, 298, 603, 895, 79_600, 101, 11_940, 0, 0)


def test_without_a_one_second_window_the_others_imply_it() -> None:
    def second(*windows: tuple[int, float]) -> int:
        listed = [{"window_ms": w, "max_percent": p} for w, p in windows]
        return guard_limits(coil(duty_windows=listed)).max_duty_1s_ticks

    # Four windows of 300 ms at 5 % cover a second: 4 · 30,000 ticks · 0.995.
    assert second((300, 5)) == pytest.approx(119_400, abs=1)
    # 2 s at 3 % hold at most 60 ms, all of it perhaps in one second.
    assert second((2000, 3)) == pytest.approx(119_400, abs=1)
    # The board's own ceiling, 12 % (PROTOCOL.md, section 9), where nothing implies less.
    assert second((7, 12)) == 238_800


@given(coils)
def test_what_the_guard_allows_holds_in_true_time_on_any_board(config: Coil) -> None:
    limits = guard_limits(config)
    tick_us = Fraction(1, 2)
    longest = Fraction(limits.max_on_ticks) * tick_us / SLOW
    assert longest <= Fraction(config.max_on_time_us)
    assert limits.min_off_ticks * tick_us / FAST >= Fraction(config.min_off_time_us)
    assert limits.max_starts_1s * FAST <= Fraction(config.max_break_rate_hz)
    sent = [
        (limits.window2_ms, limits.window2_ticks),
        (limits.window3_ms, limits.window3_ticks),
    ]
    others = [w for w in config.duty_windows if w.window_ms != 1000]
    for window, (window_ms, ticks) in zip(others, sent, strict=False):
        allowed_us = Fraction(window.window_ms * 10) * Fraction(window.max_percent)
        assert ticks * tick_us / SLOW <= allowed_us * Fraction(10**9 + 1, 10**9)
        # The guard's stretch holds the true window as a fast board counts it, pulses included.
        held_ticks = window_ms * 2000 + 800
        assert held_ticks >= window.window_ms * 2000 * FAST + limits.max_on_ticks


@given(coils)
def test_on_times_on_any_board_are_what_the_guard_takes(config: Coil) -> None:
    limits = guard_limits(config)
    for board in (SLOW, Fraction(1), FAST):
        ticks = int(Fraction(longest_on_time_us(config)) * 2 * board)
        assert ticks <= limits.max_on_ticks
        if shortest_on_time_us(config) > config.min_on_time_us + 0.5:
            shortest = int(Fraction(shortest_on_time_us(config)) * 2 * board)
            assert Fraction(shortest) / 2 / board >= config.min_on_time_us
        assert Fraction(off_time_us(config)) * 2 * board >= limits.min_off_ticks


@given(coils)
def test_an_allowance_used_up_fills_no_33_slots_of_any_board(config: Coil) -> None:
    # All of the reserve at once on top of the flow, counted by the slots as PROTOCOL.md says.
    limits = guard_limits(config)
    for allowance, bound, window_ms, to_ticks in (
        (duty_allowances(config)[0], limits.max_duty_1s_ticks, 1000, 2),
        (duty_allowances(config)[1], limits.window2_ticks, limits.window2_ms, 2),
        (rate_allowance(config), limits.max_starts_1s, 1000, 1),
    ):
        slot = -(-(window_ms * 2000 + 800) // 32)
        for board in (0.995, 1.0, 1.005):
            stretch_s = 33 * slot / (2e6 * board)
            count_factor = board if to_ticks == 2 else 1.0
            most = (allowance.flow * stretch_s + allowance.reserve) * to_ticks * count_factor
            assert most <= bound
        # And not needlessly little: within 1 % of the bound.
        assert most >= 0.985 * bound


def test_33_slots_are_33() -> None:
    starts = np.arange(100, dtype=np.int64) * 10
    ones = np.ones(100, dtype=np.int64)
    assert worst_slot_sum(starts, ones, slot_ticks=10, first_boundary=0) == 33
    assert worst_slot_sum(starts, ones, slot_ticks=20, first_boundary=5) == 66


def test_ordinary_coils_have_no_problem() -> None:
    assert check_coil(coil()) == []
    assert check_coil(coil(duty_windows=[{"window_ms": 10, "max_percent": 8}])) == []


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"max_on_time_us": 40}, "max_on_time_us: 40"),
        ({"duty_windows": [{"window_ms": 5, "max_percent": 0.5}]}, "duty_windows[1].max_percent"),
        ({"max_break_rate_hz": 12}, "max_break_rate_hz: 12"),
        (
            {"min_off_time_us": 19_000, "notes": {"lowest": 60, "highest": 70}},
            "min_off_time_us: 19000",
        ),
    ],
)
def test_an_unplayable_coil_is_named(changes: dict[str, object], key: str) -> None:
    (problem,) = check_coil(coil(**changes))
    assert problem.startswith(key)


@pytest.mark.parametrize("window_ms", [10, 20, 100, 1000, 5000])
def test_the_percentage_that_is_needed_is_enough_and_no_more(window_ms: int) -> None:
    def problems(percent: float) -> list[str]:
        return check_coil(coil(duty_windows=[{"window_ms": window_ms, "max_percent": percent}]))

    (sentence,) = problems(0.01)
    needed = float(sentence.rsplit("at least ", 1)[1].split(" ")[0])
    assert problems(needed) == []
    assert problems(needed - 0.01) != []


def test_where_no_percentage_is_enough_another_way_is_named() -> None:
    tight = coil(
        min_on_time_us=300,
        max_on_time_us=400,
        duty_windows=[{"window_ms": 5, "max_percent": 12}],
    )
    (sentence,) = check_coil(tight)
    assert "not even 12 would do" in sentence
