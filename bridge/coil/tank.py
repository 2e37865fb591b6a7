"""The series-resonant primary and the bridge that drives it. Pure.

Source of the formulas: standard RLC theory; the fundamental of a square wave of amplitude V is
4/π·V (Fourier series).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Self

Bridge = Literal["full", "half"]


def square_v(bus_voltage_v: float, bridge: Bridge) -> float:
    """Amplitude of the square wave at the tank: the bus (full bridge) or half of it (half)."""
    return bus_voltage_v if bridge == "full" else bus_voltage_v / 2


def fundamental_v(bus_voltage_v: float, bridge: Bridge) -> float:
    """Amplitude of that square wave's fundamental, which alone drives a tank at resonance."""
    return 4 / math.pi * square_v(bus_voltage_v, bridge)


@dataclass(frozen=True, slots=True)
class TankCircuit:
    """L, C and series loss R of a primary."""

    inductance_h: float
    capacitance_f: float
    resistance_ohm: float = 0.0

    @classmethod
    def from_resonance(
        cls, frequency_hz: float, impedance_ohm: float, resistance_ohm: float = 0.0
    ) -> Self:
        """From what a signal generator shows: f = 1/(2π√(LC)) and Z₀ = √(L/C)."""
        omega = 2 * math.pi * frequency_hz
        return cls(impedance_ohm / omega, 1 / (impedance_ohm * omega), resistance_ohm)

    @property
    def omega(self) -> float:
        return 1 / math.sqrt(self.inductance_h * self.capacitance_f)

    @property
    def frequency_hz(self) -> float:
        return self.omega / (2 * math.pi)

    @property
    def impedance_ohm(self) -> float:
        return math.sqrt(self.inductance_h / self.capacitance_f)

    @property
    def quality(self) -> float:
        """Q = Z₀/R; infinite without loss."""
        return self.impedance_ohm / self.resistance_ohm if self.resistance_ohm else math.inf
