"""The site's mains: a budget for each line, and each coil's hold on those that feed it. Pure.

A coil between two or three lines draws the same RMS current on each of them (mains/supply.py).
Currents of several coils on one line are added as they are, though their waves need not coincide:
RMS of a sum is at most the sum of RMS (triangle inequality). Every line keeps the law of
mains_budget.py by itself; a coil gets what the tightest of its lines leaves it.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.coil.curves import CoilCurves, curves_of
from bridge.config import Config
from bridge.mains.breaker import earliest
from bridge.mains.supply import LINES, MainsPrice, lines_of
from bridge.timeline import acoustic_offsets_s

from .mains_budget import MainsBudget


class MainsShare:
    """One coil's hold on its lines, and what its bangs cost. Times are the timeline's seconds."""

    __slots__ = ("_on", "curves", "price", "slope_as_per_us")

    def __init__(
        self, on: Sequence[tuple[MainsBudget, int]], curves: CoilCurves, price: MainsPrice
    ) -> None:
        """on: the lines that feed the coil, each with the coil's index there."""
        self._on = tuple(on)
        self.curves = curves
        self.price = price.ampere_seconds_per_j
        self.slope_as_per_us = curves.slope_w * 1e-6 * self.price
        """Most charge that a µs of on-time costs, on each line."""

    def charge_as(self, on_time_us: float) -> float:
        """What one bang of this length draws from each line at most."""
        return self.curves.most_energy_j(on_time_us) * self.price

    def draw_a(self, trains: Sequence[tuple[float, float]]) -> float:
        """Mean current on each line of trains given as (rate in Hz, on-time in µs)."""
        curves = self.curves
        return sum([rate * curves.most_energy_j(on_us) for rate, on_us in trains]) * self.price

    @property
    def alone_a(self) -> float:
        """What a coil that plays alone may draw for ever."""
        return min([line.flow_a for line, _ in self._on])

    def advance(self, now_s: float) -> None:
        for line, _ in self._on:
            line.advance(now_s)

    def ask(self, least_a: float, asked_a: float) -> None:
        """What this coil would draw with every train at breakout, and as asked."""
        for line, index in self._on:
            line.asked[index] = (least_a, asked_a)

    def allowed_a(self) -> float:
        """What this coil may head for."""
        return min([line.part_a(index) for line, index in self._on])

    def room_a(self) -> float:
        """What is left for this coil with every other at breakout, for ever."""
        return min([line.room_a(index) for line, index in self._on])

    def excess_as(self, draw_a: float, owed_us: float) -> float:
        """By how much a state would break the law of any line (<= 0: not). owed_us: what it leaves
        unpaid."""
        owed_as = owed_us * self.slope_as_per_us
        return max([line.excess_as(index, draw_a, owed_as) for line, index in self._on])

    def command(self, draw_a: float, owed_us: float) -> None:
        """A state is sent."""
        for line, index in self._on:
            line.command(index, draw_a, owed_us * self.slope_as_per_us)

    def restless(self) -> bool:
        """Must this coil decide again soon though nobody asks anything new?"""
        return any(line.asked[index][1] > 0 and line.restless() for line, index in self._on)

    def strained(self) -> bool:
        """Is any of its lines' levels still to come down? Then nothing dropped returns."""
        return any(line.strained() for line, _ in self._on)

    @property
    def budget_a(self) -> float:
        return min([line.budget_a for line, _ in self._on])


class SiteMains:
    """All lines that feed a coil, and the coils' shares of them."""

    def __init__(
        self,
        lines: dict[int, MainsBudget],
        shares: dict[str, MainsShare],
    ) -> None:
        """lines: by their number, 1..3. shares: by the coil's name."""
        self.lines = lines
        self.shares = shares

    @property
    def flow_a(self) -> float:
        """What all coils together may draw of the tightest line for ever."""
        return min([line.flow_a for line in self.lines.values()])

    @property
    def budget_a(self) -> float:
        return min([line.budget_a for line in self.lines.values()])


def budget_of(
    config: Config, *, lease_s: float, refresh_s: float, motion_s: float, early_s: float = 0.0
) -> SiteMains | None:
    """The site's mains over all coils whose draw is known; None where [site.mains] is missing.

    early_s: so much before its time a commanded state may take effect (governor.py).
    """
    mains = config.site.mains
    if mains is None:
        return None
    coils: dict[str, tuple[CoilCurves, MainsPrice, int]] = {}
    fed: dict[str, tuple[int, ...]] = {}
    for coil in config.coil:
        curves = curves_of(coil)
        if curves is not None and coil.supply is not None:
            fed[coil.name] = lines_of(mains.system, coil.supply.lines)
            price = MainsPrice.of(
                mains.system, mains.voltage_v, fed[coil.name],
                coil.supply.power_factor, coil.supply.efficiency,
            )  # fmt: skip
            coils[coil.name] = (curves, price, coil.max_voices)
    if not coils:
        return None
    jitter_s = max(c.link_jitter_ms for c in config.controller) / 1000
    offsets = acoustic_offsets_s(config).values()
    spread_s = max(offsets) - min(offsets)
    lines: dict[int, MainsBudget] = {}
    on: dict[str, list[tuple[MainsBudget, int]]] = {name: [] for name in coils}
    for number in LINES[mains.system]:
        here = [name for name in coils if number in fed[name]]
        if not here:
            continue
        lines[number] = MainsBudget(
            budget_a=mains.allowed_a,
            other_load_a=mains.other_load_a,
            averaging_s=mains.averaging_s,
            breaker=earliest(mains.breaker, mains.breaker_a, mains.curve),
            coils={name: coils[name] for name in here},
            hold_s=jitter_s + refresh_s + motion_s + spread_s + early_s + 0.001,
            lease_s=lease_s + jitter_s,
        )
        for index, name in enumerate(here):
            on[name].append((lines[number], index))
    shares = {
        name: MainsShare(on[name], curves, price) for name, (curves, price, _) in coils.items()
    }
    return SiteMains(lines, shares)
