"""What a coil's own tank and supply, and its part of the site's mains, allow a chord. Pure.

Everything here is proportional to rates: a train at rate r whose bangs may come at most R times a
second for ever (coil/lawful.py: recharge, capacitor and switch heating) fills r/R of the coil, and
draws r·charge from the mains. Trains add up. The coil's ratings are averages over seconds, so they
bite gently only; the mains has a law as well (mains_budget.py).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bridge.coil.curves import CoilCurves

from .mains import MainsShare
from .reasons import Effect, HeldBack, Limit

_HALVINGS = 12


class Power:
    """One coil's limits of power. `trains`: (rate in Hz, on-time in µs)."""

    __slots__ = ("_shortest_us", "curves", "mains")

    def __init__(self, curves: CoilCurves, mains: MainsShare | None, shortest_us: float) -> None:
        self.curves = curves
        self.mains = mains
        self._shortest_us = shortest_us

    def most_at_breakout(self) -> tuple[float, Limit]:
        """Pulses a second over all trains at breakout, for ever, and what bounds them."""
        own_hz = self.curves.most_rate_hz(self._shortest_us)
        if self.mains is not None:
            mains_hz = self.mains.alone_a / self.mains.charge_as(self._shortest_us)
            if mains_hz < own_hz:
                return mains_hz, Limit.MAINS
        return own_hz, Limit.COIL

    def full_us(self, pace_hz: float) -> float:
        """The longest on-time of a solo train for ever."""
        longest = self.curves.longest_at_us(pace_hz)
        if self.mains is None:
            return longest
        most_j = self.mains.alone_a / (pace_hz * self.mains.price)
        return min(longest, self.curves.longest_for_us(most_j))

    def on_time_us(self, energy: float, full_us: float) -> float:
        """Energy share (0..1 of the way from breakout to full scale) → on-time, by the coil's own
        curve with its usual arc."""
        shortest, curves = self._shortest_us, self.curves
        if full_us <= shortest or energy <= 0:
            return shortest
        low = curves.energy_j(shortest)
        wanted = low + min(1.0, energy) * (curves.energy_j(full_us) - low)
        return min(full_us, max(shortest, curves.on_time_us(wanted)))

    def energy_share(self, on_time_us: float, full_us: float) -> float:
        """The inverse of `on_time_us`."""
        low, high = self.curves.energy_j(self._shortest_us), self.curves.energy_j(full_us)
        if high <= low:
            return 0.0
        return min(1.0, max(0.0, (self.curves.energy_j(on_time_us) - low) / (high - low)))

    def filled(self, trains: Sequence[tuple[float, float]]) -> float:
        """How full the coil's own ratings are, 0..1 and beyond."""
        curves = self.curves
        return sum([rate / max(curves.most_rate_hz(on_us), 1e-9) for rate, on_us in trains])

    def ask(self, asked: Sequence[tuple[float, float]]) -> None:
        """Tells the budget what this coil wants."""
        if self.mains is not None:
            least = [(rate, self._shortest_us) for rate, _ in asked]
            self.mains.ask(self.mains.draw_a(least), self.mains.draw_a(asked))

    def target(
        self, asked: Sequence[tuple[float, float]], high: float
    ) -> tuple[float, HeldBack | None]:
        """The largest scale up to `high` that can be held for ever, and what limits it."""
        scale, why = high, None
        if (filled := self.filled(self._at(asked, scale))) > 1:
            scale = self._solve(asked, scale, self.filled, 1.0)
            why = HeldBack(Limit.COIL, Effect.SHORTENED, 0, filled * 100, 100.0, ())
        if self.mains is not None:
            part_a = self.mains.allowed_a()
            if (draw_a := self.mains.draw_a(self._at(asked, scale))) > part_a:
                scale = self._solve(asked, scale, self.mains.draw_a, part_a)
                why = HeldBack(Limit.MAINS, Effect.SHORTENED, 0, draw_a, part_a, ())
        return scale, why

    def _at(self, asked: Sequence[tuple[float, float]], scale: float) -> list[tuple[float, float]]:
        shortest = self._shortest_us
        return [(rate, shortest + (on_us - shortest) * scale) for rate, on_us in asked]

    def _solve(
        self,
        asked: Sequence[tuple[float, float]],
        high: float,
        use: Callable[[Sequence[tuple[float, float]]], float],
        most: float,
    ) -> float:
        low = 0.0
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            if use(self._at(asked, middle)) <= most:
                low = middle
            else:
                high = middle
        return low

    def has_room(self, rate_hz: float) -> bool:
        """May trains with this many pulses a second, at breakout, sound for ever?"""
        if rate_hz > self.curves.most_rate_hz(self._shortest_us):
            return False
        if self.mains is None:
            return True
        return rate_hz * self.mains.charge_as(self._shortest_us) <= self.mains.room_a()
