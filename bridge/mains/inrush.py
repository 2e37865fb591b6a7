"""What an empty bus draws when the mains is switched on, against the breaker. Pure.

At first the bus is a short circuit behind its precharge resistance, so the current is that of the
resistance on the mains, 10 % high: RMS V/R, and it only falls from there. It is down to what does
not matter after CHARGED time constants R·C (e⁻⁵ < 1 %); rectifiers conduct part of the time, so
charging itself may take longer, at less current. Wiring and the mains' own impedance are not
counted: without a resistance they are all there is, and nothing can be said.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.coil.worst_case import MAINS_HIGH
from bridge.config_power import Mains, Supply
from bridge.mains.breaker import ThermalBreaker
from bridge.mains.supply import volts_for_line_current

CHARGED = 5.0
SIX_PULSE = 1.104
"""RMS in each of three lines, of a bridge of six diodes on a resistance, over V between lines and
R (textbook: √(2/3) of the bridge's own 1.352·V/R)."""


@dataclass(frozen=True, slots=True)
class Inrush:
    """One coil's bus, switched on by itself. Currents are RMS, of each of its lines."""

    first_a: float
    time_constant_s: float | None
    """None: the bus capacitance is not known."""
    resistance_takes_j: float | None
    """As much as the bus then holds (½·C·V²: charging a capacitor through a resistor)."""
    trips_after_s: float | None
    """When the earliest breaker its standard allows trips; 0: at once, by its magnetic part; None:
    not while the bus charges."""


def across_v(mains: Mains, lines: Sequence[int]) -> float:
    """RMS voltage that drives each line's current through the resistance."""
    if len(lines) == 3:
        return mains.voltage_v * SIX_PULSE
    return volts_for_line_current(mains.system, mains.voltage_v, lines)


def inrush(
    mains: Mains, supply: Supply, lines: Sequence[int], breaker: ThermalBreaker
) -> Inrush | None:
    """None where no precharge resistance is told."""
    if supply.precharge_ohm is None:
        return None
    first_a = across_v(mains, lines) * MAINS_HIGH / supply.precharge_ohm
    constant_s = held_j = None
    charging_s = math.inf
    if supply.bus_capacitance_uf is not None:
        farads = supply.bus_capacitance_uf * 1e-6
        constant_s = supply.precharge_ohm * farads
        charging_s = CHARGED * constant_s
        held_j = 0.5 * farads * (supply.bus_voltage_v * MAINS_HIGH) ** 2
    theta = (mains.other_load_a / breaker.pickup_a) ** 2
    after_s = breaker.trip_s(first_a + mains.other_load_a, theta)
    return Inrush(first_a, constant_s, held_j, after_s if after_s <= charging_s else None)
