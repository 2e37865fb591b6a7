"""The charging of an empty bus: the circuit solved by scipy, and the breaker's bands."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bridge.config_power import Mains, Supply
from bridge.mains.breaker import earliest
from bridge.mains.inrush import across_v, inrush

MAINS = Mains(voltage_v=240.0, breaker_a=16.0)


def found(precharge_ohm: float, uf: float | None = 6000.0, **mains: Any) -> Any:
    feed = MAINS.model_copy(update=mains)
    supply = Supply(bus_voltage_v=340.0, bus_capacitance_uf=uf, precharge_ohm=precharge_ohm)
    return inrush(feed, supply, (1,), earliest("iec60898", feed.breaker_a, feed.curve))


def test_no_half_cycle_of_the_real_circuit_draws_more() -> None:
    # A full bridge (ideal diodes) from 264 V at 50 Hz through 20 Ω into 6 mF, by scipy.
    ohm, farads, peak_v = 20.0, 6e-3, 264 * math.sqrt(2)

    def amperes(t: float, v: float) -> float:
        return max(0.0, abs(peak_v * math.sin(2 * math.pi * 50 * t)) - v) / ohm

    constant_s = ohm * farads
    solved = solve_ivp(lambda t, x: [amperes(t, x[0]) / farads], (0, 10 * constant_s), [0.0],
                       rtol=1e-6, max_step=2e-4, dense_output=True)  # fmt: skip
    told = found(ohm)
    assert told.time_constant_s == pytest.approx(constant_s)
    times = np.linspace(0, 0.01, 2000)
    first = np.sqrt(np.mean([amperes(t, float(solved.sol(t)[0])) ** 2 for t in times]))
    assert 0.9 * told.first_a < first <= told.first_a
    late = np.linspace(5 * constant_s, 5 * constant_s + 0.01, 2000)
    then = np.sqrt(np.mean([amperes(t, float(solved.sol(t)[0])) ** 2 for t in late]))
    assert then < 0.2 * first


def test_against_the_magnetic_band_of_iec_60898_1() -> None:
    # C may trip at once from 5·In on: 80 A of a 16 A breaker; 264 V are then 3.3 Ω.
    assert found(3.29).trips_after_s == 0.0
    assert found(3.31, curve="D").trips_after_s != 0.0
    assert found(3.31, uf=100.0).trips_after_s is None
    assert found(3.31, uf=100.0, other_load_a=1.0).trips_after_s == 0.0


def test_a_slow_charge_may_trip_by_heat() -> None:
    # 40 A are 2.5·In: 2.55·In may trip after 1 s (IEC 60898-1), 5·R·C are 0.2 s or 6.6 s.
    assert found(6.6, uf=6000.0).trips_after_s is None
    assert 1.0 < found(6.6, uf=200_000.0).trips_after_s < 1.2
    assert 1.0 < found(6.6, uf=None).trips_after_s < 1.2  # not known how long: taken as for ever


def test_what_the_resistance_takes() -> None:
    # ½·C·V² at 10 % more than 340 V
    assert found(20.0).resistance_takes_j == pytest.approx(0.5 * 6e-3 * 374**2)
    assert inrush(MAINS, Supply(bus_voltage_v=340.0), (1,), earliest("iec60898", 16, "C")) is None


def test_what_it_lies_across() -> None:
    three = Mains(system="three", voltage_v=400.0, breaker_a=16.0)
    assert across_v(three, (1,)) == pytest.approx(230.9, abs=0.1)
    assert across_v(three, (1, 2)) == 400.0
    # Six diodes on a resistor of 1 Ω, from the waves: the highest line feeds, the lowest returns.
    angle = np.linspace(0, 2 * np.pi, 60_000, endpoint=False)
    lines = np.array([np.sin(angle - n * 2 * math.pi / 3) for n in range(3)]) * 400 * (2 / 3) ** 0.5
    bus = lines.max(axis=0) - lines.min(axis=0)
    first = np.where(lines[0] == lines.max(axis=0), bus, 0) - np.where(
        lines[0] == lines.min(axis=0), bus, 0
    )
    assert across_v(three, (1, 2, 3)) == pytest.approx(np.sqrt(np.mean(first**2)), rel=1e-3)
