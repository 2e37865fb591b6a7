"""From energy to on-time, on one coil: curve, full scale, square law. Pure, no state."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from bridge.config import CurvePoint


def curve_on_time_us(
    curve: Sequence[CurvePoint], flat_on_time_us: float, break_rate_hz: float
) -> float:
    """The curve's longest on-time: linear between points, flat beyond; no curve: the flat value."""
    if not curve:
        return flat_on_time_us
    if break_rate_hz <= curve[0].break_rate_hz:
        return curve[0].max_on_time_us
    for low, high in pairwise(curve):
        if break_rate_hz < high.break_rate_hz:
            share = (break_rate_hz - low.break_rate_hz) / (high.break_rate_hz - low.break_rate_hz)
            return low.max_on_time_us + share * (high.max_on_time_us - low.max_on_time_us)
    return curve[-1].max_on_time_us


def on_time_for_energy_us(energy: float, shortest_us: float, full_us: float) -> float:
    """The on-time whose bang has `energy` (0..1) of the way from breakout to full scale.

    Square law: a lossless tank's current grows with time, its energy with the square (the loss-free
    limit of the driven series circuit, standard RLC theory).
    """
    low = shortest_us * shortest_us
    if energy >= 1:
        return full_us if full_us > shortest_us else shortest_us
    more = full_us * full_us - low
    return math.sqrt(low + energy * more) if more > 0 and energy > 0 else shortest_us
