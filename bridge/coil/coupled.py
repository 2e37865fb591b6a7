"""Primary and secondary together, numerically: what the closed form leaves out. Pure.

Four states: current and capacitor voltage of both sides,

    L₁·i₁′ + M·i₂′ + R₁·i₁ + v₁ = u      C₁·v₁′ = i₁
    L₂·i₂′ + M·i₁′ + R₂·i₂ + v₂ = 0      C₂·v₂′ = i₂ − v₂/Rₐ        M = k·√(L₁·L₂)

u is the bridge's square wave, turned over by the primary's current (a driver with current
feedback) or at a fixed frequency. Between its edges the circuit is linear, so each step is exact:
scipy's matrix exponential. Source: standard coupled-circuit theory. The secondary is reckoned with
L₂ = L₁, which changes nothing the primary can see.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.linalg import expm

from bridge.coil.secondary import SecondaryCircuit
from bridge.coil.tank import TankCircuit

STEPS_A_CYCLE = 96


class After(Enum):
    """What the bridge does when the pulse is over."""

    SHORTS = "shorts the tank"
    RETURNS = "returns the energy to the bus through its diodes"


@dataclass(frozen=True, slots=True)
class Bang:
    """One bang, and where its energy went. Joules and amperes."""

    peak_a: float
    """Over the pulse and its ring-down."""
    peak_in_pulse_a: float
    peak_v: float
    """On the primary's capacitor."""
    drawn_j: float
    """By the end of the pulse, from the bus."""
    returned_j: float
    """To the bus, after it."""
    dissipated_j: float
    """In both resistances and the arc, over everything."""
    stored_j: float
    """What is still in the circuit at the end."""
    state: tuple[float, float, float, float]
    """i₁, i₂, v₁, v₂ at the end."""


def simulate(
    tank: TankCircuit,
    secondary: SecondaryCircuit | None,
    *,
    square_v: float,
    on_s: float,
    after_s: float = 0.0,
    after: After = After.SHORTS,
    drive_hz: float | None = None,
    steps_a_cycle: int = STEPS_A_CYCLE,
    start: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
) -> Bang:
    """One bang. drive_hz: a fixed drive; None: it follows the primary's current.

    start: the state the bang before left (`Bang.state`); at rest if not given.
    """
    step_s = 1 / (tank.frequency_hz * steps_a_cycle)
    l1, c1 = tank.inductance_h, tank.capacitance_f
    if secondary is None:
        secondary = SecondaryCircuit(tank.frequency_hz, 0.0)
    omega2 = 2 * math.pi * secondary.frequency_hz
    l2, c2 = l1, 1 / (omega2**2 * l1)
    mutual = secondary.coupling * l1
    r2 = omega2 * l2 / secondary.own_quality
    g_arc = 1 / (secondary.load_quality * omega2 * l2)
    inductance = np.array([[l1, mutual], [mutual, l2]])
    inverse = np.linalg.inv(inductance)
    # States i1, i2, v1, v2; the fifth is u, held over a step.
    a = np.zeros((5, 5))
    a[:2, :2] = -inverse @ np.diag([tank.resistance_ohm, r2])
    a[:2, 2:4] = -inverse
    a[:2, 4] = inverse[:, 0]
    a[2, 0], a[3, 1], a[3, 3] = 1 / c1, 1 / c2, -g_arc / c2
    # Plain floats: five of them are faster than numpy's overhead.
    rows = [[float(v) for v in row] for row in np.asarray(expm(a * step_s))[:4]]
    i1, i2, v1, v2 = start
    drawn = returned = dissipated = 0.0
    peak = peak_pulse = peak_v = 0.0
    pulse_steps = max(1, round(on_s / step_s))
    for index in range(pulse_steps + round(after_s / step_s)):
        pulsing = index < pulse_steps
        if pulsing:
            if drive_hz is None:
                u = square_v if i1 >= 0 else -square_v
            else:
                u = square_v if (index * step_s * drive_hz) % 1 < 0.5 else -square_v
        elif after is After.RETURNS and abs(i1) > 1e-3 * peak_pulse:
            u = -square_v if i1 > 0 else square_v
        else:
            u = 0.0
        n1, n2, n3, n4 = (r[0] * i1 + r[1] * i2 + r[2] * v1 + r[3] * v2 + r[4] * u for r in rows)
        through_bridge = u * 0.5 * (i1 + n1) * step_s
        if pulsing:
            drawn += through_bridge
        else:
            returned -= through_bridge
        # ∫ of the square of a straight line between the two ends
        heat = tank.resistance_ohm * (i1 * i1 + i1 * n1 + n1 * n1)
        heat += r2 * (i2 * i2 + i2 * n2 + n2 * n2) + g_arc * (v2 * v2 + v2 * n4 + n4 * n4)
        dissipated += heat * step_s / 3
        i1, i2, v1, v2 = n1, n2, n3, n4
        peak = max(peak, abs(i1))
        peak_v = max(peak_v, abs(v1))
        if pulsing:
            peak_pulse = peak
    stored = 0.5 * (l1 * i1 * i1 + l2 * i2 * i2) + mutual * i1 * i2
    stored += 0.5 * (c1 * v1 * v1 + c2 * v2 * v2)
    state = (i1, i2, v1, v2)
    return Bang(peak, peak_pulse, peak_v, drawn, returned, dissipated, stored, state)
