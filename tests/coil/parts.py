"""A large coil worked out from common practice (no source), as configuration, any key changed.

650 V bus, full bridge, 110 kHz, Z₀ 8.5 Ω; what follows from it: test_trade_numbers.py.
"""

from __future__ import annotations

from typing import Any

from bridge.coil.model import CoilModel, model_of
from bridge.config import Coil

TANK: dict[str, Any] = {
    "resonant_frequency_khz": 110.0,
    "impedance_ohm": 8.5,
    "loaded_ohm": 0.249,
    "coupling": 0.15,
    "current_limit_a": 4500.0,
}
SUPPLY: dict[str, Any] = {
    "bus_voltage_v": 650.0,
    "bus_capacitance_uf": 12_000.0,
    "recharge_w": 15_600.0,
}


def coil(
    tank: dict[str, Any] | None = None, supply: dict[str, Any] | None = None, **changes: Any
) -> Coil:
    values: dict[str, Any] = {
        "name": "Larkspur",
        "controller": "North",
        "output": 1,
        "min_on_time_us": 20,
        "max_on_time_us": 80,
        "min_off_time_us": 200,
        "max_break_rate_hz": 1000,
        "duty_windows": [{"window_ms": 1000, "max_percent": 1.5}],
        "notes": {"lowest": 28, "highest": 76},
        "tank": TANK | (tank or {}),
        "supply": SUPPLY | (supply or {}),
    }
    return Coil.model_validate(values | changes)


def model(tank: dict[str, Any] | None = None, supply: dict[str, Any] | None = None) -> CoilModel:
    found = model_of(coil(tank, supply))
    assert found is not None
    return found
