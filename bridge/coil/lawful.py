"""The longest lawful on-time at each break rate, and what bounds it. Pure.

Every bound is taken in the worst case (worst_case.py): mains 10 % high, no arc, struck or detuned,
half a cycle more than asked; of a single bang, with a tenth left of the one before.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from bridge.coil.energy import most_energy_j
from bridge.coil.model import CoilModel

_STEP_US = 0.01


class Reason(Enum):
    """What bounds an on-time; the value is a sentence's subject."""

    CURRENT = "peak primary current"
    TANK_VOLTAGE = "peak voltage on the tank capacitor"
    MEASURED = "the longest on-time that was measured"
    DROOP = "bus droop in one bang"
    CAPACITOR = "RMS current of the tank capacitor"
    SWITCHES = "dissipation of a switch"
    RECHARGE = "recharging the bus"
    CONFIGURED = "max_on_time_us"


@dataclass(frozen=True, slots=True)
class Longest:
    on_time_us: float
    reason: Reason


def current_allowed_a(model: CoilModel) -> float:
    """The current limit less its margin."""
    return model.tank.current_limit_a * (1 - model.tank.current_margin_percent / 100)


def at_any_rate(model: CoilModel) -> list[Longest]:
    """Bounds on a single bang, shortest first."""
    worst, tank, supply = model.worst, model.tank, model.supply
    found = [Longest(worst.longest_s(current_allowed_a(model)) * 1e6, Reason.CURRENT)]
    if tank.capacitor_peak_v is not None:
        longest_s = worst.longest_s(tank.capacitor_peak_v / worst.impedance_ohm)
        found.append(Longest(longest_s * 1e6, Reason.TANK_VOLTAGE))
    if tank.measured_to_us is not None:
        found.append(Longest(tank.measured_to_us, Reason.MEASURED))
    if supply.bus_capacitance_uf is not None:
        most_j = most_energy_j(
            supply.bus_capacitance_uf * 1e-6, supply.bus_voltage_v, supply.max_droop_percent / 100
        )
        found.append(Longest(_longest_for_energy_us(model, most_j), Reason.DROOP))
    return sorted(found, key=lambda one: one.on_time_us)


def _longest_for_energy_us(model: CoilModel, energy_j: float) -> float:
    """Bisected: the energy rises with the on-time. At most 10 ms is looked at."""
    worst = model.worst
    if worst.energy_j(0.0) > energy_j:
        return 0.0
    low, high = 0.0, 10_000.0
    while high - low > _STEP_US:
        middle = (low + high) / 2
        if worst.energy_j(middle * 1e-6) <= energy_j:
            low = middle
        else:
            high = middle
    return low


def switch_energy_j(model: CoilModel, on_s: float) -> float:
    """Loss of one switch in one bang: conduction, ring-down included, and switching where told.

    Conduction: each switch carries every other half wave: mean |i| = (2/π)·I, mean i² = I²/2,
    halved.
    """
    worst, tank = model.from_rest, model.tank
    drop = tank.switch_drop_v * 2 / math.pi * worst.charge_as(on_s)
    slope = tank.switch_slope_mohm * 1e-3 * worst.square_a2s(on_s) / 2
    return (drop + slope) / 2 + switching_j(model, on_s)


def switching_j(model: CoilModel, on_s: float) -> float:
    """An estimate of one switch's switching loss in one bang; 0 where nothing is told of it.

    On and off once a cycle of the pulse, at the very peak of the wave, in proportion to current
    (how data sheets draw it, roughly). A driver that switches near zero current loses far less; one
    that has lost its phase does not. Ring-down is carried by diodes or by switches that stay on.
    """
    tank = model.tank
    if tank.switch_energy_mj is None or tank.switch_energy_at_a is None:
        return 0.0
    joule_per_a = tank.switch_energy_mj * 1e-3 / tank.switch_energy_at_a
    fastest_hz = model.circuit.frequency_hz / math.sqrt(1 - model.tank.coupling)
    return joule_per_a * fastest_hz * model.from_rest.pulse_charge_as(on_s)


def most_rate_hz(model: CoilModel, on_time_us: float) -> tuple[float, Reason]:
    """How often a bang of this length may come for ever; 0 where it may not come at all."""
    first = at_any_rate(model)[0]
    if on_time_us > first.on_time_us:
        return 0.0, first.reason
    return sustained_hz(model, on_time_us * 1e-6)


def sustained_hz(model: CoilModel, on_s: float) -> tuple[float, Reason]:
    """How often, by heating and recharge alone: what a single bang may be is not looked at."""
    worst, tank, supply = model.from_rest, model.tank, model.supply
    found: list[tuple[float, Reason]] = []
    if supply.recharge_w is not None:
        found.append((supply.recharge_w / worst.energy_j(on_s), Reason.RECHARGE))
    if tank.capacitor_rms_a is not None:
        found.append((2 * tank.capacitor_rms_a**2 / worst.square_a2s(on_s), Reason.CAPACITOR))
    if tank.switch_dissipation_w is not None:
        found.append((tank.switch_dissipation_w / switch_energy_j(model, on_s), Reason.SWITCHES))
    return min(found, key=lambda f: f[0], default=(math.inf, Reason.CONFIGURED))


def longest_at(model: CoilModel, break_rate_hz: float, configured_us: float) -> Longest:
    """The longest lawful on-time of a train at this rate, at most as configured."""
    best = min(
        [*at_any_rate(model), Longest(configured_us, Reason.CONFIGURED)],
        key=lambda one: one.on_time_us,
    )
    rate_hz, reason = sustained_hz(model, best.on_time_us * 1e-6)
    if rate_hz >= break_rate_hz:
        return best
    low, high = 0.0, best.on_time_us
    while high - low > _STEP_US:
        middle = (low + high) / 2
        rate_hz, why = sustained_hz(model, middle * 1e-6)
        if rate_hz >= break_rate_hz:
            low = middle
        else:
            high, reason = middle, why
    return Longest(low, reason)


def lawful_curve(
    model: CoilModel, rates_hz: Sequence[float], configured_us: float
) -> list[tuple[float, Longest]]:
    """(rate, longest) for a table or a plot."""
    return [(rate, longest_at(model, rate, configured_us)) for rate in rates_hz]
