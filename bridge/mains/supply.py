"""From bangs to amperes at the meter. Pure.

Source: P = V·I·λ for single-phase (λ the true power factor, harmonics included); continuous load of
3 h and more at most 80 % of the breaker: NEC 210.20(A), 215.3. Guidance: local codes and whoever is
licensed for the installation come first.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.coil.worst_case import MAINS_HIGH


def supply_current_a(
    bus_power_w: float, voltage_v: float, power_factor: float = 1.0, efficiency: float = 1.0
) -> float:
    """RMS current from the mains for a mean power on the bus."""
    return bus_power_w / (voltage_v * power_factor * efficiency)


def bus_power_w(
    current_a: float, voltage_v: float, power_factor: float = 1.0, efficiency: float = 1.0
) -> float:
    """What arrives on the bus of a mains current."""
    return current_a * voltage_v * power_factor * efficiency


@dataclass(frozen=True, slots=True)
class MainsPrice:
    """What a joule on one coil's bus costs at the mains, on high mains."""

    ampere_seconds_per_j: float

    @classmethod
    def of(cls, voltage_v: float, power_factor: float, efficiency: float) -> MainsPrice:
        """Worst-case energies are reckoned with high mains; so is the voltage that pays."""
        return cls(supply_current_a(1.0, voltage_v * MAINS_HIGH, power_factor, efficiency))
