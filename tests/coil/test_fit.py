"""The fit finds what made the readings, says how sure it is, and nothing beyond them."""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest
from scipy.integrate import solve_ivp

from bridge.coil.fit import FitError, Reading, fit, read_csv, write_csv
from bridge.coil.fit_limits import limits_of_fit, model_of_fit
from bridge.coil.ring_up import RingUp
from tests.coil.parts import model

DRIVE_V = 827.6
TRUE = RingUp(DRIVE_V, 12.3e-6, 0.249)
ON_TIMES_US = (20.0, 35.0, 50.0, 70.0, 90.0, 120.0)


def readings(error: float, seed: int, *, breakout: bool = True) -> list[Reading]:
    rng = random.Random(seed)
    return [
        Reading(t, TRUE.current_a(t * 1e-6) * (1 + rng.gauss(0, error)), breakout)
        for t in ON_TIMES_US
    ]


def test_clean_readings_give_back_what_made_them() -> None:
    found = fit(readings(0, 1), DRIVE_V)
    assert found.inductance_h == pytest.approx(12.3e-6, rel=1e-4)
    assert found.resistance_ohm == pytest.approx(0.249, rel=1e-3)
    assert found.residual_percent < 0.01


def test_readings_of_the_differential_equation_do_too() -> None:
    # Not from the closed form: the full circuit at resonance, solved by scipy; peak of the wave.
    l, r, f = 12.3e-6, 0.249, 110e3  # noqa: E741
    c = 1 / ((2 * math.pi * f) ** 2 * l)

    def right(t: float, x: list[float]) -> list[float]:
        u = DRIVE_V * math.cos(2 * math.pi * f * t)
        return [(u - r * x[0] - x[1]) / l, x[0] / c]

    seen: list[Reading] = []
    for cycles in (4, 7, 10, 13):
        solved = solve_ivp(right, (0, cycles / f), [0.0, 0.0], rtol=1e-7, max_step=1 / f / 60)
        seen.append(Reading((cycles - 0.0) / f * 1e6, float(max(abs(solved.y[0])))))
    found = fit(seen, DRIVE_V)
    assert found.inductance_h == pytest.approx(l, rel=0.04)
    assert found.resistance_ohm == pytest.approx(r, rel=0.12)


def test_its_errors_are_what_they_say() -> None:
    # Over many sets of readings with 3 % error: about 95 % lie within two of the stated errors.
    inside_l = inside_r = 0
    for seed in range(200):
        found = fit(readings(0.03, seed), DRIVE_V)
        inside_l += abs(found.inductance_h - 12.3e-6) <= 2 * found.inductance_error_h
        inside_r += abs(found.resistance_ohm - 0.249) <= 2 * found.resistance_error_ohm
    assert inside_l >= 180
    assert inside_r >= 180


def test_limits_never_count_on_more_inductance_than_a_reading_allows() -> None:
    for seed in range(50):
        found = fit(readings(0.05, seed, breakout=False), DRIVE_V)
        bound = RingUp(DRIVE_V, found.least_inductance_h, 0.0)
        for r in found.readings:
            assert bound.current_a(r.on_time_us * 1e-6) >= r.peak_current_a * (1 - 1e-12)
        assert found.least_resistance_ohm <= found.resistance_ohm


def test_an_arc_lends_no_loss_to_the_limits() -> None:
    assert fit(readings(0, 1, breakout=True), DRIVE_V).least_resistance_ohm == 0.0
    assert fit(readings(0, 1, breakout=False), DRIVE_V).least_resistance_ohm > 0.0


def test_nothing_is_said_beyond_the_longest_on_time_measured() -> None:
    found = fit(readings(0, 1), DRIVE_V)
    assert found.current_a(120.0) == pytest.approx(TRUE.current_a(120e-6), rel=1e-3)
    odd = fit([Reading(t, 10 * t) for t in (25.5, 31.25, 38.31)], DRIVE_V)
    for n in range(1, 120):  # the end itself is measured, however it was reckoned
        odd.current_a(odd.longest_us * (n / 119))
        odd.current_a(38.31 * 120 / 120)
        odd.current_a(sum([38.31 / n] * n))
    with pytest.raises(ValueError, match="beyond the longest on-time measured"):
        found.current_a(120.1)
    assert found.longest_for_us(1000.0) == pytest.approx(TRUE.time_to_s(1000) * 1e6, rel=1e-3)
    assert found.longest_for_us(1e6) == 120.0


def test_scatter_widens_the_errors() -> None:
    calm = fit(readings(0, 1), DRIVE_V)
    wild = fit([Reading(r.on_time_us, r.peak_current_a * (1.25 if i % 2 else 0.8))
                for i, r in enumerate(readings(0, 1))], DRIVE_V)  # fmt: skip
    assert wild.inductance_error_h > 3 * calm.inductance_error_h
    assert wild.residual_percent > 15


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ([Reading(10, 100), Reading(20, 200)], "at least 3 different"),
        ([Reading(10, 100), Reading(10, 110), Reading(20, 200)], "at least 3 different"),
        ([Reading(10, 100), Reading(20, 200), Reading(30, 280, breakout=False)], "two curves"),
        ([Reading(10, 100), Reading(20, -200), Reading(30, 280)], "above 0"),
        ([Reading(10, 100), Reading(20, math.nan), Reading(30, 280)], "above 0"),
    ],
)
def test_readings_no_fit_can_stand_on(given: list[Reading], said: str) -> None:
    with pytest.raises(FitError, match=said):
        fit(given, DRIVE_V)


def test_readings_come_back_from_their_file(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    before = [Reading(20, 431.5, breakout=False), Reading(35.5, 700)]
    write_csv(path, before)
    assert read_csv(path) == before
    path.write_text("on_time_us,peak_current_a\n10,100\n", encoding="utf-8")
    assert read_csv(path) == [Reading(10, 100, breakout=True)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("on_time_us,current\n1,2\n", "no column peak_current_a"),
        ("on_time_us,peak_current_a\n1,x\n", "row 2: not a number"),
        ("on_time_us,peak_current_a,breakout\n1,2,perhaps\n", "row 2, breakout: 'perhaps'"),
        ("on_time_us,peak_current_a\n1\n", "row 2: not a number"),
    ],
)
def test_a_bad_file_is_told_by_row(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FitError, match=said):
        read_csv(path)


def test_a_limit_looks_at_every_rating_not_at_the_current_alone() -> None:
    found = fit(readings(0, 1, breakout=False), DRIVE_V)
    calm, why = limits_of_fit(found, model({"current_limit_a": 99_000.0}))
    assert (calm, why) == (120.0, "the longest on-time measured: a fit says nothing beyond it")
    strained, why = limits_of_fit(
        found, model({"current_limit_a": 99_000.0, "capacitor_peak_v": 12_000.0})
    )
    assert strained is not None
    assert why == "peak voltage on the tank capacitor in the worst case"
    # ½·C·v² = ½·L·i² (energy of a tank): what that on-time reaches without any loss, as fitted
    limit = model_of_fit(found, model()).circuit
    amperes = 12_000.0 * math.sqrt(limit.capacitance_f / limit.inductance_h)
    assert RingUp(DRIVE_V * 1.1, found.inductance_h, 0.0).current_a(strained * 1e-6) < amperes
