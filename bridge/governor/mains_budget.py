"""One line of the site's mains, shared live between the coils on it. Pure.

One `MainsBudget` for each line (mains.py); all currents are that line's. What is kept:

1. The mean mains current over any `averaging_s` stays within the budget, other loads included.
2. A thermal model of the breaker that trips as early as its standard lets any breaker trip
   (mains/breaker.py) stays below THETA_MOST, and the current below the instantaneous band.

It is the law of bucket.py once more, over all coils, in ampere-seconds. A coil's commanded state
draws D = Σ rate·energy·price; it may still be in force H after it was replaced, so each coil counts
with the highest of its states of the last H (`Flow`). The level rises by Σ D held - flow and never
falls below 0; what trains that end or fall leave unpaid is posted H later; every coil's pulses in
flight (at most its longest bang on every voice, one and a half times) are kept free for good. So
any window holds its budget while

    level + owed + in flight + (Σ D held - flow)·H + (Σ D - flow)·lease <= reserve

How gently it bites: `allowed_a` says what all coils together may draw just now: more than the
steady flow while level and breaker are low (loud moments), the steady flow when they are not. Each
coil gets what its quietest needs, and of the rest the part it asked for, so all shrink together.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from typing import Final

from bridge.coil.curves import CoilCurves
from bridge.mains.breaker import ThermalBreaker
from bridge.mains.supply import MainsPrice

from .bucket import Flow

THETA_MOST: Final = 0.90
"""The breaker's model is never taken further than this (it trips at 1): the rest is for pulses in
flight."""
THETA_SOFT: Final = 0.70
"""From here on nothing above the steady flow is allowed."""
SOFT_SHARE: Final = 0.5
RESERVE_SHARE = 0.10
"""Of the budget in the averaging time: what loud moments and changes may take ahead."""
LOUD: Final = 1.6
"""Most that is allowed for moments, as a multiple of the steady flow."""
MAGNETIC_SHARE = 0.9
_ROUNDING: Final = 1e-9


class MainsBudget:
    """What may be drawn of one line, and what is being drawn."""

    def __init__(
        self,
        *,
        budget_a: float,
        other_load_a: float,
        averaging_s: float,
        breaker: ThermalBreaker,
        coils: Mapping[str, tuple[CoilCurves, MainsPrice, int]],
        hold_s: float,
        lease_s: float,
    ) -> None:
        """coils: by name, curves, price and most voices. hold_s: H, over all coils."""
        self.budget_a = budget_a
        self.other_load_a = other_load_a
        self.breaker = breaker
        self._hold_s, self._lease_s = hold_s, lease_s
        own_a = budget_a - other_load_a
        in_flight = 0.0
        for curves, price, voices in coils.values():
            bang_as = curves.most_energy_j(curves.longest_us) * price.ampere_seconds_per_j
            in_flight += 1.5 * voices * bang_as
        self._in_flight_as = in_flight
        # Enough for what is in flight and for a coil that starts while another has yet to shrink.
        whole_as = own_a * averaging_s
        reserve = max(RESERVE_SHARE * whole_as, in_flight + own_a * (hold_s + lease_s + 0.3))
        self.reserve_as = min(0.5 * whole_as, reserve)
        self.flow_a = (whole_as - self.reserve_as) / averaging_s * (1 - _ROUNDING)
        """What all coils together may draw for ever."""
        self._soft_as = SOFT_SHARE * max(0.0, self.reserve_as - in_flight)
        self.level_as = 0.0
        steady = ((self.flow_a + other_load_a) / breaker.pickup_a) ** 2
        self._theta_steady = steady
        self.theta = (other_load_a / breaker.pickup_a) ** 2
        self._now_s = -math.inf
        self._flows = [Flow() for _ in coils]
        self.asked: list[tuple[float, float]] = [(0.0, 0.0)] * len(coils)
        self._pending: deque[tuple[float, float]] = deque()
        self._owed_as = 0.0

    def _held_a(self) -> float:
        return sum([flow.held for flow in self._flows])

    def advance(self, now_s: float) -> None:
        """Time passes; a time before the last is taken as the last."""
        at_s = self._now_s
        if math.isinf(at_s):
            at_s = self._now_s = now_s
        while at_s < now_s:
            to_s = now_s
            for flow in self._flows:
                to_s = min(to_s, flow.entries[0][0])
            if self._pending:
                to_s = min(to_s, self._pending[0][0])
            if to_s > at_s:
                held = self._held_a()
                self.level_as = max(0.0, self.level_as + (held - self.flow_a) * (to_s - at_s))
                total = held + self.other_load_a
                self.theta = self.breaker.after(self.theta, total, to_s - at_s)
                at_s = to_s
            for flow in self._flows:
                if flow.entries[0][0] <= at_s:
                    flow.entries.popleft()
            while self._pending and self._pending[0][0] <= at_s:
                _, owed_as = self._pending.popleft()
                self._owed_as -= owed_as
                self.level_as += owed_as
        if not self._pending:
            self._owed_as = 0.0
        self._now_s = max(self._now_s, now_s)

    # -- how gently -------------------------------------------------------------------------------

    def allowed_a(self) -> float:
        """What all coils together may head for just now."""
        over = self.level_as + self._owed_as - self._soft_as
        if over > 0:
            tau_s = max(1.0, self._soft_as / max(self.flow_a, _ROUNDING))
            return max(0.0, self.flow_a - over / tau_s)
        room = -over / self._soft_as if self._soft_as > 0 else 0.0
        span = THETA_SOFT - self._theta_steady
        cool = (THETA_SOFT - self.theta) / span if span > 0 else 0.0
        return self.flow_a * (1 + (LOUD - 1) * max(0.0, min(1.0, room, cool)))

    def part_a(self, index: int) -> float:
        """What one coil may head for: what its quietest needs, and its part of the rest."""
        least_a, asked_a = self.asked[index]
        rest = self.allowed_a() - sum([least for least, _ in self.asked])
        more = sum([asked - least for least, asked in self.asked])
        if more <= 0 or rest >= more:
            return math.inf
        return least_a + (asked_a - least_a) * rest / more

    def room_a(self, index: int) -> float:
        """What is left for one coil with every other at breakout, for ever."""
        return self.flow_a - sum([a for i, (a, _) in enumerate(self.asked) if i != index])

    def restless(self) -> bool:
        """Is more asked than can be held for ever, or than the levels allow just now?"""
        asked_a = sum([asked for _, asked in self.asked])
        return asked_a > min(self.flow_a, self.allowed_a())

    def strained(self) -> bool:
        """Is the level still to come down?"""
        return self.level_as + self._owed_as > self._soft_as

    # -- the law ----------------------------------------------------------------------------------

    def excess_as(self, index: int, draw_a: float, owed_as: float) -> float:
        """By how many ampere-seconds (or as much again of θ) this state breaks the law."""
        others = sum([f.held for i, f in enumerate(self._flows) if i != index])
        held = others + max(self._flows[index].held, draw_a)
        drawn = others + draw_a
        need = self.level_as + self._owed_as + owed_as + self._in_flight_as - self.reserve_as
        need += max(0.0, held - self.flow_a) * self._hold_s
        need += max(0.0, drawn - self.flow_a) * self._lease_s
        theta = self.breaker.after(self.theta, held + self.other_load_a, self._hold_s)
        theta = max(theta, self.breaker.after(theta, drawn + self.other_load_a, self._lease_s))
        hot = (theta - THETA_MOST) * self.reserve_as
        at_once = held + self.other_load_a - MAGNETIC_SHARE * self.breaker.instantaneous_a
        return max(need, hot, at_once)

    def command(self, index: int, draw_a: float, owed_as: float) -> None:
        """A coil's state is sent, at the time last advanced to."""
        gone_s = self._now_s + self._hold_s
        self._flows[index].command(draw_a, gone_s)
        if owed_as > 0:
            self._pending.append((gone_s, owed_as))
            self._owed_as += owed_as
