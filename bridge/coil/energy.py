"""Energy of bangs, the bus that pays for them, and how long it takes to be paid back. Pure.

Source: energy of a capacitor, ½·C·V²; mean power = energy × rate.
"""

from __future__ import annotations

import math


def bangs_per_second(power_w: float, energy_j: float) -> float:
    """How many bangs of this energy a mean power on the bus pays for."""
    return power_w / energy_j if energy_j > 0 else math.inf


def stored_j(capacitance_f: float, voltage_v: float) -> float:
    return 0.5 * capacitance_f * voltage_v**2


def voltage_after_v(capacitance_f: float, voltage_v: float, energy_j: float) -> float:
    """The bus after a bang; 0 where it does not hold so much."""
    left = voltage_v**2 - 2 * energy_j / capacitance_f
    return math.sqrt(left) if left > 0 else 0.0


def droop_share(capacitance_f: float, voltage_v: float, energy_j: float) -> float:
    """How far one bang pulls the bus down, 0..1."""
    return 1 - voltage_after_v(capacitance_f, voltage_v, energy_j) / voltage_v


def most_energy_j(capacitance_f: float, voltage_v: float, droop: float) -> float:
    """The energy of the bang that pulls the bus down by this share."""
    return stored_j(capacitance_f, voltage_v) * (1 - (1 - droop) ** 2)


def recharge_s(energy_j: float, recharge_w: float) -> float:
    """Until a bang is paid back."""
    return energy_j / recharge_w
