"""From bangs to amperes at the meter. Pure.

Source: P = V·I·λ for a load between two conductors, P = √3·V·I·λ for one between three lines, V
between lines (standard theory; λ the true power factor, harmonics included); continuous load of 3 h
and more at most 80 % of the breaker: NEC 210.20(A), 215.3. Guidance: local codes and whoever is
licensed for the installation come first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.coil.worst_case import MAINS_HIGH
from bridge.config_power import System

LINES: Mapping[System, tuple[int, ...]] = {"single": (1,), "split": (1, 2), "three": (1, 2, 3)}
"""The lines of each system by number, neutral aside."""


def lines_of(system: System, lines: Sequence[int] | None) -> tuple[int, ...]:
    """The lines that feed a coil: as told, else all there are."""
    return LINES[system] if lines is None else tuple(sorted(lines))


def volts_for_line_current(system: System, voltage_v: float, lines: Sequence[int]) -> float:
    """What a load's power is divided by for the RMS current on each of its lines.

    voltage_v: between lines, or between the two conductors of single-phase. One line: between it
    and neutral. Raises ValueError for lines the system does not have.
    """
    if not lines or not set(lines) <= set(LINES[system]):
        raise ValueError(f"a {system} supply has no lines {list(lines)}")
    if system == "single" or len(lines) == 2:
        return voltage_v
    if len(lines) == 3:
        return voltage_v * math.sqrt(3)
    return voltage_v / 2 if system == "split" else voltage_v / math.sqrt(3)


def neutral_share(system: System, lines_with_neutral: int) -> float:
    """Most current on the neutral, as a share of a line's, with so many lines loaded against it.

    Rectifiers draw in pulses at the crests: against three lines they fall side by side and add as
    squares, √3 at worst (standard theory of triplen harmonics); on a split feed they come at once
    and opposed.
    """
    if system == "single":
        return 1.0
    return math.sqrt(lines_with_neutral) if system == "three" else min(1.0, lines_with_neutral)


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
    def of(
        cls,
        system: System,
        voltage_v: float,
        lines: Sequence[int],
        power_factor: float,
        efficiency: float,
    ) -> MainsPrice:
        """On each of `lines`. Worst-case energies are reckoned with high mains; so is the voltage
        that pays."""
        volts = volts_for_line_current(system, voltage_v, lines) * MAINS_HIGH
        return cls(supply_current_a(1.0, volts, power_factor, efficiency))
