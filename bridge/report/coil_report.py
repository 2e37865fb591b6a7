"""What `coilwarden coil` says of a coil, as plain values. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.coil.cases import Case, cases
from bridge.coil.checks import unprotected_coil
from bridge.coil.energy import droop_share, recharge_s
from bridge.coil.lawful import at_any_rate, current_allowed_a, longest_at
from bridge.coil.model import CoilModel, model_of
from bridge.coil.spark import arc_of_bangs_m
from bridge.config import Coil
from bridge.governor.governor import Governor

ROWS = 8
RATES_HZ = (1.0, 5.0, 20.0, 55.0, 110.0, 220.0, 330.0, 440.0, 660.0, 880.0)


@dataclass(frozen=True, slots=True)
class BangRow:
    on_time_us: float
    expected_a: float
    """With the usual arc, nominal mains: what a scope should show."""
    unloaded_a: float
    """No arc, nominal mains."""
    worst_a: float
    """No arc, struck or detuned, mains 10 % high, half a cycle more, a tenth left before."""
    worst_tank_v: float
    expected_j: float
    worst_j: float
    droop_percent: float | None
    recharge_ms: float | None


@dataclass(frozen=True, slots=True)
class RateRow:
    break_rate_hz: float
    lawful_us: float
    """By coil and supply."""
    reason: str
    governed_us: float
    """What the governor gives a solo voice, every configured limit included."""
    mean_w: float
    """On the bus, at the governed on-time, with the usual arc."""
    arc_m: float
    """Rule of thumb at that."""


@dataclass(frozen=True, slots=True)
class CoilReport:
    name: str
    unprotected: tuple[str, ...]
    inductance_uh: float | None = None
    capacitance_nf: float | None = None
    resonant_frequency_khz: float | None = None
    impedance_ohm: float | None = None
    drive_v: float | None = None
    current_allowed_a: float | None = None
    longest_bang_us: float | None = None
    longest_bang_reason: str = ""
    configured_us: float = 0.0
    cycles_to_limit: float | None = None
    """Of the drive until the current allowed, with the usual arc; None: never."""
    bangs: tuple[BangRow, ...] = ()
    rates: tuple[RateRow, ...] = ()
    cases: tuple[Case, ...] = ()
    """By the coupled model at the configured longest pulse."""


def bang_row(model: CoilModel, on_time_us: float) -> BangRow:
    on_s, worst, supply = on_time_us * 1e-6, model.worst, model.supply
    worst_j = worst.energy_j(on_s)
    droop = None
    if supply.bus_capacitance_uf is not None:
        droop = 100 * droop_share(supply.bus_capacitance_uf * 1e-6, supply.bus_voltage_v, worst_j)
    recharge = None if supply.recharge_w is None else 1000 * recharge_s(worst_j, supply.recharge_w)
    return BangRow(
        on_time_us,
        model.expected.current_a(on_s),
        model.unloaded.current_a(on_s),
        worst.current_a(on_s),
        worst.tank_v(on_s),
        model.expected.energy_j(on_s),
        worst_j,
        droop,
        recharge,
    )


def coil_report(coil: Coil) -> CoilReport:
    """One coil; without tank or supply only what is not protected."""
    model, missing = model_of(coil), tuple(unprotected_coil(coil))
    if model is None:
        return CoilReport(coil.name, missing, configured_us=coil.max_on_time_us)
    longest = at_any_rate(model)[0]
    span = max(0.0, coil.max_on_time_us - coil.min_on_time_us)
    on_times = [coil.min_on_time_us + span * n / (ROWS - 1) for n in range(ROWS)]
    governor = Governor(coil, link_jitter_s=0.0)
    rates: list[RateRow] = []
    for rate_hz in (r for r in RATES_HZ if r <= coil.max_break_rate_hz):
        lawful = longest_at(model, rate_hz, coil.max_on_time_us)
        governed = governor.full_scale_on_time_us(rate_hz)
        governed = governed if governed >= coil.min_on_time_us else 0.0
        energy = model.expected.energy_j(governed * 1e-6)
        rates.append(
            RateRow(
                rate_hz,
                lawful.on_time_us,
                lawful.reason.value,
                governed,
                energy * rate_hz,
                arc_of_bangs_m(energy, rate_hz) if governed else 0.0,
            )
        )
    cycles = model.expected.cycles_to(current_allowed_a(model), model.circuit.frequency_hz)
    return CoilReport(
        name=coil.name,
        unprotected=missing,
        inductance_uh=model.circuit.inductance_h * 1e6,
        capacitance_nf=model.circuit.capacitance_f * 1e9,
        resonant_frequency_khz=model.circuit.frequency_hz / 1e3,
        impedance_ohm=model.circuit.impedance_ohm,
        drive_v=model.drive_v,
        current_allowed_a=current_allowed_a(model),
        longest_bang_us=longest.on_time_us,
        longest_bang_reason=longest.reason.value,
        configured_us=coil.max_on_time_us,
        cycles_to_limit=cycles if math.isfinite(cycles) else None,
        bangs=tuple(bang_row(model, on_us) for on_us in on_times),
        rates=tuple(rates),
        cases=tuple(cases(model, coil.max_on_time_us, coil.min_off_time_us)),
    )
