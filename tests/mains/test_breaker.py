"""The two thermal models against the bands of IEC 60898-1 and UL 489, edge by edge."""

from __future__ import annotations

import itertools
import math

import pytest
from scipy.integrate import solve_ivp

from bridge.mains.breaker import Curve, ThermalBreaker, earliest, latest

HOUR_S = 3600.0
IEC_SIZES = (6.0, 10.0, 16.0, 20.0, 25.0, 32.0, 40.0, 50.0, 63.0)


@pytest.mark.parametrize("rated", [*IEC_SIZES, 100.0])
def test_iec_60898_1(rated: float) -> None:
    early, late = earliest("iec60898", rated, "D"), latest("iec60898", rated, "D")
    conventional_s = HOUR_S if rated <= 63 else 2 * HOUR_S
    # 1.13·In: no trip within the conventional time; 1.45·In: trips within it (table 7)
    assert early.trip_s(1.13 * rated) > conventional_s
    assert late.trip_s(1.45 * rated) < conventional_s
    # 2.55·In: 1 s to 60 s (In ≤ 32 A), 1 s to 120 s (above)
    assert early.trip_s(2.55 * rated) == pytest.approx(1.0)
    most_s = 60.0 if rated <= 32 else 120.0
    assert most_s * 0.99 < late.trip_s(2.55 * rated) <= most_s
    for share in (0.5, 0.8, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0):
        assert early.trip_s(share * rated) <= late.trip_s(share * rated)


@pytest.mark.parametrize(("curve", "low", "high"), [("B", 3, 5), ("C", 5, 10), ("D", 10, 20)])
def test_the_instantaneous_bands_of_iec_60898_1(curve: Curve, low: float, high: float) -> None:
    early, late = earliest("iec60898", 16, curve), latest("iec60898", 16, curve)
    assert early.trip_s(low * 16) == 0.0
    # 0.1 s: the standard's mark for "not at once". At D's edge heat alone is earlier still.
    assert early.trip_s(low * 16 - 0.1) > (0.1 if low < 10 else 0.05)
    assert late.trip_s(high * 16) == 0.0
    assert late.trip_s(high * 16 - 0.1) > 0.0


@pytest.mark.parametrize(
    ("rated", "within_135_s", "within_200_s"),
    [(15, 3600, 120), (30, 3600, 120), (31, 3600, 240), (50, 3600, 240), (60, 7200, 360),
     (100, 7200, 360)],
)  # fmt: skip
def test_ul_489(rated: float, within_135_s: float, within_200_s: float) -> None:
    # from memory
    early, late = earliest("ul489", rated, "C"), latest("ul489", rated, "C")
    assert early.trip_s(1.00 * rated) == math.inf
    assert late.trip_s(1.35 * rated) < within_135_s
    assert within_200_s * 0.99 < late.trip_s(2.00 * rated) <= within_200_s
    for share in (1.0, 1.2, 1.35, 2.0, 2.9):
        assert early.trip_s(share * rated) <= late.trip_s(share * rated)


def test_the_model_is_its_differential_equation() -> None:
    breaker = ThermalBreaker(pickup_a=20.0, tau_s=30.0, instantaneous_a=1e9)
    for current in (15.0, 21.0, 35.0):
        solved = solve_ivp(
            lambda t, x, i=current: [((i / 20.0) ** 2 - x[0]) / 30.0], (0, 40), [0.3], rtol=1e-9
        )
        assert breaker.after(0.3, current, 40.0) == pytest.approx(float(solved.y[0][-1]), rel=1e-6)
    assert breaker.trip_s(20.0) == math.inf
    seconds = breaker.trip_s(35.0, theta=0.3)
    assert breaker.after(0.3, 35.0, seconds) == pytest.approx(1.0)
    assert breaker.trip_s(35.0, theta=1.2) == 0.0


def test_more_current_never_trips_later() -> None:
    breaker = earliest("iec60898", 32, "C")
    times = [breaker.trip_s(32 * n / 50) for n in range(30, 400)]
    assert all(b <= a for a, b in itertools.pairwise(times))
    assert breaker.trip_s(60.0, 0.5) < breaker.trip_s(60.0, 0.0)
