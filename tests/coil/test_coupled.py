"""The coupled model against scipy's solve_ivp, textbook facts, and conservation of energy."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bridge.coil.coupled import After, SecondaryCircuit, simulate
from bridge.coil.ring_up import RingUp
from bridge.coil.tank import TankCircuit, fundamental_v

F = 110e3
TANK = TankCircuit.from_resonance(F, 8.5, 0.02)


def test_without_a_secondary_it_is_the_closed_form() -> None:
    for resistance in (0.0, 0.1, 0.249):
        tank = TankCircuit.from_resonance(F, 8.5, resistance)
        closed = RingUp(fundamental_v(650, "full"), tank.inductance_h, resistance)
        for cycles in (8, 10, 20):
            bang = simulate(tank, None, square_v=650, on_s=cycles / F)
            last = closed.current_a((cycles - 0.25) / F)  # the last peak
            assert bang.peak_a == pytest.approx(last, rel=0.012)
            assert bang.drawn_j == pytest.approx(closed.energy_j(cycles / F), rel=0.01)
            assert bang.peak_v == pytest.approx(closed.current_a(cycles / F) * 8.5, rel=0.02)


@pytest.mark.parametrize("drive_hz", [F, 0.94 * F])
@pytest.mark.parametrize("k", [0.05, 0.2])
def test_it_is_scipys_solution_of_the_same_circuit(drive_hz: float, k: float) -> None:
    # Written anew here, with L₂ = 20 mH: the primary must not see how the secondary is scaled.
    f2, q2, q_arc, l2 = 0.97 * F, 100.0, 12.0, 20e-3
    w2 = 2 * math.pi * f2
    c2, r2, ohm_arc = 1 / (w2**2 * l2), w2 * l2 / q2, q_arc * w2 * l2
    l1, c1, r1 = TANK.inductance_h, TANK.capacitance_f, TANK.resistance_ohm
    m = k * math.sqrt(l1 * l2)
    det = l1 * l2 - m * m

    def right(t: float, x: np.ndarray) -> list[float]:
        i1, i2, v1, v2 = x
        u = 650.0 if (t * drive_hz) % 1 < 0.5 else -650.0
        e1, e2 = u - r1 * i1 - v1, -r2 * i2 - v2
        return [(l2 * e1 - m * e2) / det, (l1 * e2 - m * e1) / det, i1 / c1,
                (i2 - v2 / ohm_arc) / c2]  # fmt: skip

    on_s = 12 / drive_hz
    solved = solve_ivp(right, (0, on_s), [0.0] * 4, rtol=1e-7, atol=1e-9, max_step=1 / F / 200)
    mine = simulate(
        TANK, SecondaryCircuit(f2, k, q2, q_arc), square_v=650, on_s=on_s, drive_hz=drive_hz,
        steps_a_cycle=400,
    )  # fmt: skip
    assert mine.peak_in_pulse_a == pytest.approx(float(np.max(np.abs(solved.y[0]))), rel=0.01)
    assert mine.peak_v == pytest.approx(float(np.max(np.abs(solved.y[2]))), rel=0.01)


def test_energy_beats_between_two_tuned_circuits() -> None:
    # Two equal tuned circuits exchange their energy in 1/(2·k·f) (coupled pendulums, textbook).
    tank = TankCircuit.from_resonance(F, 8.5)
    k = 0.1
    secondary = SecondaryCircuit(F, k, own_quality=1e6)
    short = simulate(tank, secondary, square_v=650, on_s=1 / F)
    # Rung with one cycle and left alone, the primary is nearly empty half a beat later ...
    half_beat_s = 1 / (2 * k * F)
    fed = simulate(tank, secondary, square_v=650, on_s=1 / F, after_s=2 * half_beat_s)
    assert fed.peak_a >= short.peak_a
    # ... so a pulse that ends there has its largest current after it, in the ring-down.
    late = simulate(tank, secondary, square_v=650, on_s=half_beat_s * 0.9,
                    after_s=3 * half_beat_s, drive_hz=F)  # fmt: skip
    assert late.peak_a > late.peak_in_pulse_a * 1.02


def test_a_struck_secondary_takes_inductance_away() -> None:
    k = 0.3
    struck = SecondaryCircuit(F, k, own_quality=1e6).struck()
    tank = TankCircuit.from_resonance(F, 8.5)
    cycle_s = math.sqrt(1 - k**2) / F  # of the smaller inductance
    bang = simulate(tank, struck, square_v=650, on_s=16 * cycle_s)
    alone = RingUp(fundamental_v(650, "full"), tank.inductance_h * (1 - k**2), 0.0)
    assert bang.peak_a == pytest.approx(alone.current_a(15.75 * cycle_s), rel=0.015)


@pytest.mark.parametrize("after", list(After))
@pytest.mark.parametrize("seed", range(20))
def test_energy_is_neither_made_nor_lost(seed: int, after: After) -> None:
    rng = random.Random(seed)
    tank = TankCircuit.from_resonance(F, rng.uniform(3, 40), rng.choice((0.0, rng.uniform(0, 1))))
    secondary = SecondaryCircuit(
        F * rng.uniform(0.8, 1.2), rng.uniform(0, 0.3), rng.choice((30.0, 150.0)),
        rng.choice((math.inf, 40.0, 6.0, 1.0)),
    )  # fmt: skip
    bang = simulate(tank, secondary, square_v=400, on_s=rng.uniform(2, 20) / F, after_s=8 / F,
                    after=after)  # fmt: skip
    gone = bang.dissipated_j + bang.stored_j + bang.returned_j
    assert gone == pytest.approx(bang.drawn_j, rel=0.01)
