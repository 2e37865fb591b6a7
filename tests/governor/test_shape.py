"""Curve and square law."""

from __future__ import annotations

import pytest

from bridge.config import CurvePoint
from bridge.governor.shape import curve_on_time_us, on_time_for_energy_us

CURVE = (
    CurvePoint(break_rate_hz=100, max_on_time_us=150),
    CurvePoint(break_rate_hz=300, max_on_time_us=90),
    CurvePoint(break_rate_hz=400, max_on_time_us=100),
)


@pytest.mark.parametrize(
    ("rate_hz", "expected"), [(20, 150), (100, 150), (200, 120), (300, 90), (350, 95), (900, 100)]
)
def test_linear_between_points_and_flat_beyond(rate_hz: float, expected: float) -> None:
    assert curve_on_time_us(CURVE, 200, rate_hz) == pytest.approx(expected)


def test_no_curve_is_flat() -> None:
    assert curve_on_time_us((), 200, 440) == 200


def test_square_law() -> None:
    # Loss-free tank: energy goes with the square of time, so half of the way in energy between
    # 30 and 130 µs lies at sqrt((30² + 130²) / 2) = 94.34 µs.
    assert on_time_for_energy_us(0, 30, 130) == 30
    assert on_time_for_energy_us(0.5, 30, 130) == pytest.approx(94.3398, abs=1e-4)
    assert on_time_for_energy_us(1, 30, 130) == 130


def test_never_below_the_shortest_even_where_full_scale_is() -> None:
    assert on_time_for_energy_us(0.7, 30, 20) == 30
    assert on_time_for_energy_us(1, 30, 20) == 30
