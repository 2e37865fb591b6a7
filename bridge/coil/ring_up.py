"""Ring-up of a series-resonant primary driven at resonance, in closed form. Pure.

Envelope of the current, standard RLC theory (the slow half of the step response of a driven tank):

    I(t) = (V₁/R)·(1 − e^(−R·t/2L));   without loss  I(t) = V₁·t/(2L)

It holds for many cycles and little loss in each (R well below 2·Z₀); tests/coil hold it against
numerical solutions. Its integrals follow by elementary calculus. Times in seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

NO_LOSS_OHM = 1e-9
"""So little is none, and would only divide by next to nothing."""
_SERIES = 0.05
"""Below this x the closed forms cancel; Taylor series of the same expressions are exact to 1e-12
there."""


def _first(x: float) -> float:
    """x − (1 − e⁻ˣ)."""
    if x > _SERIES:
        return x + math.expm1(-x)
    return x * x * (1 / 2 - x * (1 / 6 - x * (1 / 24 - x * (1 / 120 - x * (1 / 720 - x / 5040)))))


def _second(x: float) -> float:
    """∫₀ˣ (1 − e⁻ᵘ)² du = x − 2(1 − e⁻ˣ) + (1 − e⁻²ˣ)/2."""
    if x > _SERIES:
        return x + 2 * math.expm1(-x) - math.expm1(-2 * x) / 2
    return x**3 * (1 / 3 - x * (1 / 4 - x * (7 / 60 - x * (1 / 24 - x * (31 / 2520 - x / 320)))))


@dataclass(frozen=True, slots=True)
class RingUp:
    """One primary, one drive."""

    drive_v: float
    """V₁: amplitude of the drive's fundamental."""
    inductance_h: float
    resistance_ohm: float

    @property
    def _tau_s(self) -> float:
        return 2 * self.inductance_h / self.resistance_ohm

    def current_a(self, on_s: float) -> float:
        """Peak current at the end of a pulse this long."""
        if self.resistance_ohm < NO_LOSS_OHM:
            return self.drive_v * on_s / (2 * self.inductance_h)
        return -self.drive_v / self.resistance_ohm * math.expm1(-on_s / self._tau_s)

    def time_to_s(self, current_a: float) -> float:
        """On-time after which the current is reached; infinite where loss keeps it below."""
        if self.resistance_ohm < NO_LOSS_OHM:
            return 2 * self.inductance_h * current_a / self.drive_v
        share = current_a * self.resistance_ohm / self.drive_v
        return -self._tau_s * math.log1p(-share) if share < 1 else math.inf

    def charge_as(self, on_s: float) -> float:
        """∫ of the envelope, in ampere-seconds."""
        if self.resistance_ohm < NO_LOSS_OHM:
            return self.drive_v * on_s * on_s / (4 * self.inductance_h)
        return self.drive_v / self.resistance_ohm * self._tau_s * _first(on_s / self._tau_s)

    def square_a2s(self, on_s: float) -> float:
        """∫ of the envelope squared; half of it is ∫ i²."""
        if self.resistance_ohm < NO_LOSS_OHM:
            return (self.drive_v / (2 * self.inductance_h)) ** 2 * on_s**3 / 3
        steady = self.drive_v / self.resistance_ohm
        return steady * steady * self._tau_s * _second(on_s / self._tau_s)

    def energy_j(self, on_s: float) -> float:
        """Drawn from the bus: ½·V₁·∫I dt."""
        return 0.5 * self.drive_v * self.charge_as(on_s)

    def stored_j(self, on_s: float) -> float:
        """In the tank at the end of the pulse: ½·L·I²."""
        return 0.5 * self.inductance_h * self.current_a(on_s) ** 2

    def dissipated_j(self, on_s: float) -> float:
        """In R during the pulse: ½·R·∫I² dt."""
        return 0.5 * self.resistance_ohm * self.square_a2s(on_s)

    def power_w(self, on_s: float) -> float:
        """Power drawn at the end of the pulse, mean over a cycle: ½·V₁·I."""
        return 0.5 * self.drive_v * self.current_a(on_s)

    def cycles_to(self, current_a: float, frequency_hz: float) -> float:
        """Cycles of the drive until the current is reached."""
        return self.time_to_s(current_a) * frequency_hz
