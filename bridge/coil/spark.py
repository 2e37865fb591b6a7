"""How far an arc may reach: an empirical rule, not physics. Pure.

length in inches ≈ 1.7·√(mean power in watts) — common practice, no source: builders' rule of thumb
for coils played at about 120 bangs a second. It says nothing of a given coil's tuning, topload or
weather, and single arcs go farther. Guidance only; a measured arc that is longer counts instead.
"""

from __future__ import annotations

import math

INCHES_PER_ROOT_WATT = 1.7
METRES_PER_INCH = 0.0254
REFERENCE_RATE_HZ = 120.0
"""Below this rate an arc's length follows the single bang (common practice, no source), so a bang
counts as if it came this often."""


def arc_length_m(power_w: float) -> float:
    """The rule of thumb, at the mean power on the bus."""
    return INCHES_PER_ROOT_WATT * math.sqrt(max(0.0, power_w)) * METRES_PER_INCH


def arc_of_bangs_m(energy_j: float, break_rate_hz: float) -> float:
    """The same from energy and rate, with the single bang as the floor."""
    return arc_length_m(energy_j * max(break_rate_hz, REFERENCE_RATE_HZ))
