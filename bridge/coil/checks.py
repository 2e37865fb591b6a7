"""Limits in the configuration against what tank, supply and site can take. Pure.

`power_problems`: what is refused at load, with the figure that would do. `unprotected`: what was
not told, and what therefore cannot be protected.
"""

from __future__ import annotations

import math

from bridge.coil.lawful import (
    Longest,
    Reason,
    at_any_rate,
    current_allowed_a,
    longest_at,
    most_rate_hz,
)
from bridge.coil.model import RESIDUAL, CoilModel, model_of
from bridge.config import Coil, Config
from bridge.mains.supply import LINES
from bridge.site.keep_out import keep_outs


def _down(value: float, digits: int = 1) -> str:
    """Rounded down, so that the figure itself is accepted."""
    scale = 10**digits
    return f"{math.floor(value * scale + 1e-9) / scale:g}"


def _single(model: CoilModel, coil: Coil, longest: Longest) -> str:
    on_s = coil.max_on_time_us * 1e-6
    worst = model.worst
    found = {
        Reason.CURRENT: f"reaches {worst.current_a(on_s):.0f} A where "
        f"{current_allowed_a(model):.0f} A are allowed (tank.current_limit_a less its margin)",
        Reason.TANK_VOLTAGE: f"puts {worst.tank_v(on_s):.0f} V on the tank capacitor, more than "
        f"tank.capacitor_peak_v = {model.tank.capacitor_peak_v or 0:g}",
        Reason.MEASURED: f"is beyond tank.measured_to_us = {model.tank.measured_to_us or 0:g}; "
        "nothing was measured there",
        Reason.DROOP: f"draws {worst.energy_j(on_s):.1f} J and pulls the bus down by more than "
        f"supply.max_droop_percent = {model.supply.max_droop_percent:g}",
    }[longest.reason]
    return (
        f"max_on_time_us: {coil.max_on_time_us:g} {found} in the worst case (no arc, struck or "
        f"detuned, mains 10 % high, half a cycle more, a tenth left of the bang before); at most "
        f"{_down(longest.on_time_us)}"
    )


def _ringing(model: CoilModel, coil: Coil) -> list[str]:
    """What the bang before leaves must be down to what limits grant it."""
    if model.tank.ring_down_us is None:
        return []
    needed_us = model.tank.ring_down_us + model.worst.extra_s * 1e6
    if coil.min_off_time_us >= needed_us:
        return []
    return [
        f"min_off_time_us: {coil.min_off_time_us:g} ends before a bang has rung down to a tenth "
        f"(tank.ring_down_us = {model.tank.ring_down_us:g}, and half a cycle); the current limits "
        f"grant the bang before no more than {RESIDUAL:.0%}; at least {math.ceil(needed_us)}"
    ]


def coil_problems(coil: Coil) -> list[str]:
    """Sentences beginning with the key."""
    model = model_of(coil)
    if model is None:
        return []
    problems = _ringing(model, coil)
    longest = at_any_rate(model)[0]
    if coil.max_on_time_us > longest.on_time_us:
        return [*problems, _single(model, coil, longest)]
    for index, point in enumerate(coil.on_time_curve):
        most = longest_at(model, point.break_rate_hz, coil.max_on_time_us)
        if point.max_on_time_us > most.on_time_us + 0.02:
            problems.append(
                f"on_time_curve[{index + 1}].max_on_time_us: {point.max_on_time_us:g} at "
                f"{point.break_rate_hz:g} Hz is beyond {most.reason.value}; at most "
                f"{_down(most.on_time_us)}"
            )
    on_s = coil.max_on_time_us * 1e-6
    most_hz, reason = most_rate_hz(model, coil.max_on_time_us)
    most_percent = most_hz * on_s * 100
    for index, window in enumerate(coil.duty_windows):
        long_enough = window.window_ms >= 1000 or len(coil.duty_windows) == 1
        if long_enough and window.max_percent > most_percent:
            problems.append(
                f"duty_windows[{index + 1}].max_percent: {window.max_percent:g} % of the longest "
                f"pulses is {window.max_percent / 100 / on_s:.0f} bangs a second of "
                f"{model.from_rest.energy_j(on_s):.1f} J, beyond {reason.value} "
                f"({most_hz:.0f} a second); at most {_down(most_percent, 2)}"
            )
    return problems


def _lines(config: Config) -> list[str]:
    """Lines that [site.mains] does not have."""
    mains = config.site.mains
    if mains is None:
        return []
    there = LINES[mains.system]
    return [
        f'coil[{index + 1}] "{coil.name}" supply.lines: {list(coil.supply.lines)} where '
        f'site.mains.system = "{mains.system}" has {list(there)}'
        for index, coil in enumerate(config.coil)
        if coil.supply is not None
        and coil.supply.lines is not None
        and not set(coil.supply.lines) <= set(there)
    ]


def power_problems(config: Config) -> list[str]:
    """Everything that is refused at load."""
    problems = [
        f'coil[{index + 1}] "{coil.name}" {problem}'
        for index, coil in enumerate(config.coil)
        for problem in coil_problems(coil)
    ]
    problems += _lines(config)
    audience = config.site.audience
    if audience is None:
        return problems
    zones = keep_outs(config)
    widest = max(zones, key=lambda z: z.distance_m)
    for key, value in (("nearest_m", audience.nearest_m), ("operator_m", audience.operator_m)):
        if value < widest.distance_m:
            problems.append(
                f'site.audience.{key}: {value:g} is inside the keep-out distance of "{widest.coil}"'
                f" (arc {widest.arc_m:.1f} m by {widest.source}, and {widest.margin_percent:g} %); "
                f"at least {math.ceil(widest.distance_m * 10) / 10:g}"
            )
    for index, (coil, zone) in enumerate(zip(config.coil, zones, strict=True)):
        distance = coil.distance_to_audience_m
        if distance is not None and distance < zone.distance_m:
            problems.append(
                f'coil[{index + 1}] "{coil.name}" distance_to_audience_m: {distance:g} is inside '
                f"its keep-out distance; at least {math.ceil(zone.distance_m * 10) / 10:g}"
            )
    return problems


def unprotected(config: Config) -> list[str]:
    """What the tool cannot protect because it was not told."""
    lines: list[str] = []
    for coil in config.coil:
        lines += [f"{coil.name}: {line}" for line in unprotected_coil(coil)]
    if config.site.mains is None:
        lines.append(
            "no [site.mains]: nothing here keeps the coils together from tripping the breaker or "
            "overloading the feed"
        )
    elif any(model_of(c) is None for c in config.coil):
        names = ", ".join(c.name for c in config.coil if model_of(c) is None)
        lines.append(f"the site's mains budget does not count {names}: tank or supply missing")
    if config.site.audience is None:
        lines.append(
            "no [site.audience]: nobody's distance is checked against the arcs, and no level or "
            "noise dose is reckoned"
        )
    elif config.site.audience.measured_level_db is None:
        lines.append("site.audience.measured_level_db: not given; sound levels are assumed")
    return lines


def unprotected_coil(coil: Coil) -> list[str]:
    """The same for one coil, without its name."""
    if coil.tank is None or coil.supply is None:
        missing = [
            name
            for name, section in (("[coil.tank]", coil.tank), ("[coil.supply]", coil.supply))
            if section is None
        ]
        return [
            f"no {' and no '.join(missing)}: peak current, tank voltage and energy are unknown; "
            "max_on_time_us and the duty windows are taken on trust"
        ]
    tank, supply = coil.tank, coil.supply
    told = [
        (tank.measured_to_us is None, "tank.measured_to_us: not given; the tank's numbers are not "
         "held against readings (coilwarden coil --fit)"),
        (tank.capacitor_peak_v is None, "tank.capacitor_peak_v: not given; the tank capacitor's "
         "voltage is not limited"),
        (tank.capacitor_rms_a is None, "tank.capacitor_rms_a: not given; the tank capacitor's "
         "heating is not limited"),
        (tank.switch_dissipation_w is None, "tank.switch_dissipation_w: not given; the switches' "
         "heating is not limited"),
        (tank.switch_dissipation_w is not None and tank.switch_energy_mj is None,
         "tank.switch_energy_mj: not given; of the switches' heating only conduction is counted"),
        (tank.ring_down_us is None, "tank.ring_down_us: not given; that a bang has rung down to a "
         "tenth after min_off_time_us is taken on trust, and heating counts only a bridge that "
         "returns the tank's energy to the bus, none that shorts it"),
        (supply.bus_capacitance_uf is None, "supply.bus_capacitance_uf: not given; bus droop is "
         "not limited"),
        (supply.recharge_w is None, "supply.recharge_w: not given; bangs may come faster than the "
         "bus recharges"),
        (supply.precharge_ohm is None, "supply.precharge_ohm: not given; what the empty bus draws "
         "at switch-on is not held against the breaker's magnetic trip"),
        (tank.longest_measured_arc_m is None, "tank.longest_measured_arc_m: not given; the "
         "keep-out distance stands on a rule of thumb"),
    ]  # fmt: skip
    return [text for missing, text in told if missing]
