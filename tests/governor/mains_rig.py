"""Two coils on one feed, and an independent judge of what their pulses draw from it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from bridge.config import Config
from bridge.config_power import Mains
from tests.chain.rig import coil, site

INDUCTANCE_UH = 14.0
CAPACITANCE_NF = 160.0
COUPLING = 0.15
BUS_V = 400.0
POWER_FACTOR, EFFICIENCY = 0.7, 0.9
TANK: dict[str, Any] = {
    "inductance_uh": INDUCTANCE_UH,
    "capacitance_nf": CAPACITANCE_NF,
    "loaded_ohm": 0.2,
    "coupling": COUPLING,
    "current_limit_a": 6000.0,
}
SUPPLY: dict[str, Any] = {
    "bus_voltage_v": BUS_V,
    "power_factor": POWER_FACTOR,
    "efficiency": EFFICIENCY,
}


def two_coils(
    mains: dict[str, Any], *, inputs: list[dict[str, Any]] | None = None, **changes: Any
) -> Config:
    """Larkspur and Foxglove, roomy but for the mains."""
    values = {"min_on_time_us": 15, "max_on_time_us": 120, "tank": TANK, "supply": SUPPLY} | changes
    coils = [coil("Larkspur", "North", 1, **values), coil("Foxglove", "South", 1, **values)]
    routes = [
        {"channels": [1], "coils": ["Larkspur"]},
        {"channels": [2], "coils": ["Foxglove"]},
        {"channels": [3, 10], "coils": ["Larkspur", "Foxglove"]},
    ]
    base = {"voltage_v": 240.0, "breaker_a": 32.0, "averaging_s": 5.0}
    return site(coils, music={"routes": routes}, inputs=inputs, mains=base | mains)


def charge_as(on_us: float, mains_v: float) -> float:
    """What one pulse draws from the mains in the worst case, written anew: a lossless primary with
    a struck secondary, E = V₁²·t²/8L′, half a cycle more than commanded, mains 10 % high."""
    inductance = INDUCTANCE_UH * 1e-6 * (1 - COUPLING**2)
    cycle_s = 2 * math.pi * math.sqrt(INDUCTANCE_UH * 1e-6 * CAPACITANCE_NF * 1e-9)
    on_s = on_us * 1e-6 + cycle_s / 2
    drive_v = 4 / math.pi * BUS_V * 1.1
    energy_j = drive_v**2 * on_s**2 / (8 * inductance)
    return energy_j / (mains_v * 1.1 * POWER_FACTOR * EFFICIENCY)


def judge(
    pulses: Mapping[str, Sequence[tuple[float, float]]],
    mains: Mains,
    *,
    pickup: float = 1.13,
    shares: Mapping[str, float] | None = None,
) -> tuple[float, float]:
    """(highest mean over any averaging time as a share of the budget, highest θ of a breaker that
    trips as early as IEC 60898-1 lets it: 1.13·Iₙ holds, 2.55·Iₙ may trip after 1 s).

    pulses: per coil, (start in s, on-time in µs). Integrated from the pulses alone. shares: of the
    current that each coil would draw between two conductors at `voltage_v`, what flows on the line
    looked at; all of it where not given.
    """
    part = shares or dict.fromkeys(pulses, 1.0)
    events = sorted(
        (s, part[name] * charge_as(on, mains.voltage_v))
        for name, p in pulses.items()
        for s, on in p
    )
    if not events:
        return 0.0, 0.0
    starts = np.array([e[0] for e in events])
    total = np.concatenate([[0.0], np.cumsum([e[1] for e in events])])
    window = mains.averaging_s
    after = np.searchsorted(starts, starts + window, side="right")
    mean_a = (total[after] - total[:-1]) / window + mains.other_load_a
    ratio = (2.55 / pickup) ** 2
    tau_s = 1.0 / math.log(ratio / (ratio - 1))
    bin_s = 0.05  # the bus smooths single bangs
    bins = np.bincount(((starts - starts[0]) / bin_s).astype(int), weights=[e[1] for e in events])
    theta = hottest = (mains.other_load_a / (pickup * mains.breaker_a)) ** 2
    for charge in bins:
        end = ((charge / bin_s + mains.other_load_a) / (pickup * mains.breaker_a)) ** 2
        theta = end + (theta - end) * math.exp(-bin_s / tau_s)
        hottest = max(hottest, theta)
    return float(mean_a.max()) / mains.allowed_a, hottest
