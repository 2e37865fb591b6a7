"""A breaker's inverse-time behaviour as a thermal model of one time constant. Pure.

    θ′ = ((I/Iₚ)² − θ)/τ,   trips at θ = 1;   from cold  t = τ·ln(m²/(m² − 1)),  m = I/Iₚ > 1

(heat balance of a body with I² heating and linear loss). Standards give bands, so there are two
models: the *earliest* trips as soon as the band allows any breaker to, the *latest* as late as it
allows. What must never trip is held against the earliest.

IEC 60898-1 (table 7, from memory): 1.13·Iₙ no trip in 1 h (2 h above 63 A); 1.45·Iₙ trips within
it; 2.55·Iₙ from cold: 1 to 60 s (Iₙ ≤ 32 A), 1 to 120 s (above). Instantaneous: B 3–5, C 5–10,
D 10–20 times Iₙ.
UL 489 (from memory): 100 % holds; 135 % trips within 1 h (≤ 50 A) or 2 h; 200 % within 2 min
(≤ 30 A), 4 min (31–50 A), 6 min (51–100 A). It gives no shortest time: the IEC's is taken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Standard = Literal["iec60898", "ul489"]
Curve = Literal["B", "C", "D"]
INSTANTANEOUS = {"B": (3.0, 5.0), "C": (5.0, 10.0), "D": (10.0, 20.0)}
_IEC_MULTIPLE = 2.55
_UL_MULTIPLE = 2.0
_INSIDE = 1 - 1e-4
"""The latest model sits this little inside its band's edge."""


def _tau_s(multiple: float, seconds: float) -> float:
    """The time constant with which m times the pick-up trips after so long, from cold."""
    return seconds / math.log(multiple**2 / (multiple**2 - 1))


@dataclass(frozen=True, slots=True)
class ThermalBreaker:
    """One breaker as a thermal model. θ is its state: 0 cold, 1 trips."""

    pickup_a: float
    tau_s: float
    instantaneous_a: float
    """Lowest current at which it may trip at once."""

    def after(self, theta: float, current_a: float, seconds: float) -> float:
        """θ after a while at this RMS current."""
        end = (current_a / self.pickup_a) ** 2
        return end + (theta - end) * math.exp(-seconds / self.tau_s)

    def trip_s(self, current_a: float, theta: float = 0.0) -> float:
        """Until it trips at this current; infinite where it never does."""
        if current_a >= self.instantaneous_a:
            return 0.0
        end = (current_a / self.pickup_a) ** 2
        if end <= 1:
            return math.inf
        return max(0.0, self.tau_s * math.log((end - theta) / (end - 1)))


def _longest_s(standard: Standard, rated_a: float) -> float:
    """The most the standard gives the breaker at 2.55 (IEC) or 2 (UL) times its rating."""
    if standard == "iec60898":
        return 60.0 if rated_a <= 32 else 120.0
    return 120.0 if rated_a <= 30 else 240.0 if rated_a <= 50 else 360.0


def earliest(standard: Standard, rated_a: float, curve: Curve) -> ThermalBreaker:
    """Trips as early as the standard lets any breaker trip."""
    no_trip = 1.13 if standard == "iec60898" else 1.0
    kind = curve if standard == "iec60898" else "B"
    tau_s = _tau_s(_IEC_MULTIPLE / no_trip, 1.0)
    return ThermalBreaker(no_trip * rated_a, tau_s, INSTANTANEOUS[kind][0] * rated_a)


def latest(standard: Standard, rated_a: float, curve: Curve) -> ThermalBreaker:
    """Trips as late as the standard lets a breaker trip."""
    if standard == "iec60898":
        trips, multiple = 1.45, _IEC_MULTIPLE
    else:
        trips, multiple = 1.35, _UL_MULTIPLE
    pickup = trips * _INSIDE
    tau_s = _tau_s(multiple / pickup, _longest_s(standard, rated_a) * _INSIDE)
    return ThermalBreaker(pickup * rated_a, tau_s, INSTANTANEOUS[curve][1] * rated_a)
