"""The closed form against scipy's numerical solution, and against textbook limits of the RLC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from bridge.coil.ring_up import RingUp
from bridge.coil.tank import TankCircuit, fundamental_v

BUS_V = 650.0
WORKED = TankCircuit.from_resonance(110e3, 8.5, 0.249)
"""The worked primary of test_trade_numbers.py: common practice, no source."""
CYCLES_10_S = 10 / 110e3


def ring_up(tank: TankCircuit, bus_v: float = BUS_V) -> RingUp:
    return RingUp(fundamental_v(bus_v, "full"), tank.inductance_h, tank.resistance_ohm)


def test_the_worked_primary() -> None:
    assert fundamental_v(BUS_V, "full") == pytest.approx(827.6, abs=0.05)
    assert fundamental_v(BUS_V, "half") == pytest.approx(827.6 / 2, abs=0.05)
    assert WORKED.inductance_h == pytest.approx(12.3e-6, rel=2e-3)
    assert WORKED.capacitance_f == pytest.approx(170e-9, rel=2e-3)
    assert WORKED.quality == pytest.approx(34, abs=0.3)
    loaded = ring_up(WORKED)
    assert loaded.current_a(CYCLES_10_S) == pytest.approx(2000, rel=1e-3)
    assert loaded.stored_j(CYCLES_10_S) == pytest.approx(24.6, abs=0.05)
    assert loaded.energy_j(CYCLES_10_S) == pytest.approx(43.3, abs=0.05)
    assert loaded.power_w(CYCLES_10_S) == pytest.approx(828e3, rel=2e-3)
    unloaded = ring_up(TankCircuit.from_resonance(110e3, 8.5))
    assert unloaded.current_a(CYCLES_10_S) == pytest.approx(3059, abs=1)


@pytest.mark.parametrize(
    ("impedance", "inductance_uh", "capacitance_nf", "loss", "drawn_j"),
    [(8.0, 11.6, 181, 0.271, 44.2), (9.0, 13.0, 161, 0.225, 42.5)],
)
def test_its_neighbours(
    impedance: float, inductance_uh: float, capacitance_nf: float, loss: float, drawn_j: float
) -> None:
    tank = TankCircuit.from_resonance(110e3, impedance, loss)
    assert tank.inductance_h * 1e6 == pytest.approx(inductance_uh, abs=0.05)
    assert tank.capacitance_f * 1e9 == pytest.approx(capacitance_nf, abs=0.5)
    assert ring_up(tank).current_a(CYCLES_10_S) == pytest.approx(2000, rel=2e-3)
    assert ring_up(tank).energy_j(CYCLES_10_S) == pytest.approx(drawn_j, abs=0.06)


@pytest.mark.parametrize(("on_us", "power"), [(30, 1.90), (150, 1.61), (300, 1.39)])
def test_energy_grows_more_slowly_than_the_square_law(on_us: float, power: float) -> None:
    loaded = ring_up(WORKED)
    low, high = loaded.energy_j(on_us * 0.999e-6), loaded.energy_j(on_us * 1.001e-6)
    assert math.log(high / low) / math.log(1.001 / 0.999) == pytest.approx(power, abs=0.006)


def numerical(tank: TankCircuit, drive_v: float, on_s: float) -> tuple[float, float]:
    """Peak of the last cycle and energy drawn, by scipy, driven by the fundamental at resonance."""
    omega = tank.omega

    def right(t: float, x: np.ndarray) -> list[float]:
        u = drive_v * math.cos(omega * t)
        di = (u - tank.resistance_ohm * x[0] - x[1]) / tank.inductance_h
        return [di, x[0] / tank.capacitance_f, u * x[0]]

    period = 1 / tank.frequency_hz
    solved = solve_ivp(
        right, (0, on_s), [0.0, 0.0, 0.0], rtol=1e-7, atol=1e-9, max_step=period / 40,
        t_eval=np.linspace(max(0, on_s - period), on_s, 400),
    )  # fmt: skip
    return float(np.max(np.abs(solved.y[0]))), float(solved.y[2][-1])


@pytest.mark.parametrize("resistance", [0.0, 0.05, 0.249, 1.0])
@pytest.mark.parametrize("cycles", [10, 25])
def test_the_closed_form_is_scipys_solution(resistance: float, cycles: int) -> None:
    tank = TankCircuit.from_resonance(110e3, 8.5, resistance)
    closed = RingUp(827.6, tank.inductance_h, resistance)
    on_s = cycles / 110e3
    peak, drawn = numerical(tank, 827.6, on_s)
    # The last peak lies up to a quarter cycle before the end.
    assert closed.current_a(on_s - 0.5 / 110e3) * 0.995 <= peak <= closed.current_a(on_s) * 1.005
    assert drawn == pytest.approx(closed.energy_j(on_s), rel=0.012)


def test_without_loss_it_is_the_textbooks_straight_line() -> None:
    none = RingUp(800.0, 10e-6, 0.0)
    assert none.current_a(50e-6) == pytest.approx(800 * 50e-6 / (2 * 10e-6))
    little = RingUp(800.0, 10e-6, 1e-9)
    for what in ("current_a", "charge_as", "square_a2s", "energy_j", "stored_j"):
        assert getattr(little, what)(50e-6) == pytest.approx(getattr(none, what)(50e-6), rel=1e-8)
    assert none.energy_j(50e-6) == pytest.approx(none.stored_j(50e-6))


def test_with_heavy_loss_it_is_ohms_law() -> None:
    heavy = RingUp(800.0, 10e-6, 2.0)
    assert heavy.current_a(1e-3) == pytest.approx(400)  # V₁/R
    assert heavy.time_to_s(400.0) == math.inf
    assert heavy.time_to_s(500.0) == math.inf
    # One time constant 2L/R: 63.2 % (first-order step response)
    assert heavy.current_a(10e-6) == pytest.approx(400 * 0.63212, rel=1e-4)
    rate = heavy.energy_j(1.001e-3) - heavy.energy_j(1e-3)
    assert rate == pytest.approx(0.5 * 800 * 400 * 1e-6, rel=1e-6)  # ½·V₁²/R


drives = st.floats(20, 2000)
inductances = st.floats(1e-6, 1e-3)
losses = st.one_of(st.just(0.0), st.floats(1e-6, 20))
times = st.floats(1e-6, 4e-4)


@settings(max_examples=120, deadline=None)
@given(drives, inductances, losses, times)
def test_integrals_are_those_of_the_current(v: float, h: float, r: float, t: float) -> None:
    one = RingUp(v, h, r)
    # By default quad is content with 1.5e-8 absolute, more than some of these integrals.
    fine: dict[str, float] = {"epsabs": 0, "epsrel": 1e-9}
    assert one.charge_as(t) == pytest.approx(quad(one.current_a, 0, t, **fine)[0], rel=1e-6)
    square = quad(lambda s: one.current_a(s) ** 2, 0, t, **fine)[0]
    assert one.square_a2s(t) == pytest.approx(square, rel=1e-6)


@settings(max_examples=200, deadline=None)
@given(drives, inductances, losses, times)
def test_energy_balance_closes(v: float, h: float, r: float, t: float) -> None:
    one = RingUp(v, h, r)
    assert one.stored_j(t) + one.dissipated_j(t) == pytest.approx(one.energy_j(t), rel=1e-6)


@settings(max_examples=200, deadline=None)
@given(drives, inductances, losses, times, st.floats(1.0001, 3))
def test_it_is_monotonic_where_physics_is(
    v: float, h: float, r: float, t: float, more: float
) -> None:
    one = RingUp(v, h, r)
    assert one.current_a(t * more) >= one.current_a(t)
    assert one.energy_j(t * more) > one.energy_j(t)
    assert RingUp(v * more, h, r).current_a(t) > one.current_a(t)
    assert RingUp(v, h * more, r).current_a(t) <= one.current_a(t) * (1 + 1e-12)
    assert RingUp(v, h, r * more).current_a(t) <= one.current_a(t) * (1 + 1e-12)
    assert RingUp(v, h, r * more).energy_j(t) <= one.energy_j(t) * (1 + 1e-9)


@settings(max_examples=100, deadline=None)
@given(drives, inductances, losses, times)
def test_the_time_to_a_current_is_the_inverse(v: float, h: float, r: float, t: float) -> None:
    one = RingUp(v, h, r)
    current = one.current_a(t)
    if r == 0 or current < 0.999 * v / r:
        assert one.time_to_s(current) == pytest.approx(t, rel=1e-6)
        assert one.cycles_to(current, 1e5) == pytest.approx(t * 1e5, rel=1e-6)
