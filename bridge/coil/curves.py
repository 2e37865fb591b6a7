"""A coil's curves as the governor looks them up: many times a second, always cautious. Pure.

Tabled every quarter of a microsecond up to the configured longest pulse, so that a look-up costs a
binary search. Between two entries the governor gets the one that is worse for the music.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Hashable
from functools import lru_cache
from itertools import pairwise
from typing import Final, cast

from bridge.coil.lawful import at_any_rate, sustained_hz
from bridge.coil.model import CoilModel, model_of
from bridge.config import Coil

STEP_US: Final = 0.25


class CoilCurves:
    """Energy against on-time and lawful on-time against rate, of one coil."""

    __slots__ = ("_energy_j", "_neg_rate_hz", "_worst_j", "longest_us", "slope_w")

    def __init__(self, model: CoilModel, max_on_time_us: float) -> None:
        count = math.ceil(max_on_time_us / STEP_US) + 1
        expected, worst = model.expected, model.from_rest
        times_s = [index * STEP_US * 1e-6 for index in range(count)]
        self._energy_j = [expected.energy_j(t) for t in times_s]
        self._worst_j = [worst.energy_j(t) for t in times_s]
        single_us = at_any_rate(model)[0].on_time_us
        rates = [sustained_hz(model, t)[0] if t * 1e6 <= single_us else 0.0 for t in times_s]
        for index in range(1, count):  # never more often because it is longer
            rates[index] = min(rates[index], rates[index - 1])
        self._neg_rate_hz = [-r for r in rates]
        self.longest_us = min(max_on_time_us, single_us)
        """The longest single bang."""
        rises = [(b - a) / (STEP_US * 1e-6) for a, b in pairwise(self._worst_j)]
        # From the very start, where half a cycle is added to nothing, energy is bounded as well.
        means = [e / t for e, t in zip(self._worst_j, times_s, strict=True) if t >= 5e-6]
        self.slope_w = max(*rises, *means)
        """Most energy that a second more of on-time draws: with it, on-times bound energies."""

    def longest_at_us(self, break_rate_hz: float) -> float:
        """The longest lawful on-time at this rate, from the table's lower side; 0: none."""
        if -self._neg_rate_hz[-1] >= break_rate_hz:
            return self.longest_us
        index = bisect_right(self._neg_rate_hz, -break_rate_hz) - 1
        return max(0, index) * STEP_US

    def most_rate_hz(self, on_time_us: float) -> float:
        """How often a bang this long may come for ever, from the table's upper side."""
        index = math.ceil(on_time_us / STEP_US)
        if index >= len(self._neg_rate_hz):
            return 0.0 if on_time_us > self.longest_us + STEP_US else -self._neg_rate_hz[-1]
        return -self._neg_rate_hz[index]

    def longest_for_us(self, energy_j: float) -> float:
        """The longest bang that surely draws no more than this; 0: none."""
        index = bisect_right(self._worst_j, energy_j) - 1
        return max(0, index) * STEP_US

    def most_energy_j(self, on_time_us: float) -> float:
        """What a bang draws from the bus at most, from the table's upper side."""
        index = math.ceil(on_time_us / STEP_US)
        return self._worst_j[index if index < len(self._worst_j) else -1]

    def energy_j(self, on_time_us: float) -> float:
        """What a bang is expected to draw: loudness goes by it. Linear between entries."""
        table, place = self._energy_j, on_time_us / STEP_US
        index = int(place)
        if index >= len(table) - 1:
            return table[-1]
        return table[index] + (place - index) * (table[index + 1] - table[index])

    def on_time_us(self, energy_j: float) -> float:
        """The inverse of `energy_j`."""
        table = self._energy_j
        index = bisect_left(table, energy_j)
        if index <= 0:
            return 0.0
        if index >= len(table):
            return (len(table) - 1) * STEP_US
        low, high = table[index - 1], table[index]
        return (index - 1 + (energy_j - low) / (high - low)) * STEP_US


@lru_cache(maxsize=64)
def _curves(key: Hashable) -> CoilCurves | None:
    coil = cast(Coil, key)
    model = model_of(coil)
    return None if model is None else CoilCurves(model, coil.max_on_time_us)


def curves_of(coil: Coil) -> CoilCurves | None:
    """The coil's curves; None where its tank or its supply is not given."""
    return (
        _curves(cast(Hashable, coil)) if coil.tank is not None and coil.supply is not None else None
    )
