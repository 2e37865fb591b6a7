"""How far everybody stays away: from what the coil can do, never from what is being played. Pure.

At a low rate an arc's length follows the single bang, so a score's mean power says nothing of it,
and quiet music does not shrink the distance. It stands on the largest of: the user's longest
measured arc; the rule of thumb (coil/spark.py) at the highest lawful energy and rate, the single
longest bang included; and a floor the user sets; times a stated margin. Guidance only.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.coil.curves import STEP_US, CoilCurves, curves_of
from bridge.coil.spark import arc_of_bangs_m
from bridge.config import Coil, Config
from bridge.config_power import Audience

DEFAULTS = Audience(nearest_m=1.0, operator_m=1.0)
"""Floor and margin where the site gives none; its distances are not used."""


@dataclass(frozen=True, slots=True)
class KeepOut:
    """One coil's distance and where it comes from."""

    coil: str
    measured_arc_m: float | None
    estimated_arc_m: float | None
    """By the rule of thumb; None where tank or supply is not given."""
    floor_m: float
    margin_percent: float

    @property
    def arc_m(self) -> float:
        """The arc that must be reckoned with."""
        return max(self.measured_arc_m or 0.0, self.estimated_arc_m or 0.0, self.floor_m)

    @property
    def source(self) -> str:
        if self.arc_m == self.measured_arc_m:
            return "the longest arc measured"
        if self.arc_m == self.estimated_arc_m:
            return "the rule of thumb at the highest lawful energy and rate"
        return "the floor set for the site"

    @property
    def distance_m(self) -> float:
        return self.arc_m * (1 + self.margin_percent / 100)


def duty_share(coil: Coil) -> float:
    """The most on-time in the longest configured window, as a share of it."""
    return max(coil.duty_windows, key=lambda w: w.window_ms).max_percent / 100


def estimated_arc_m(coil: Coil, curves: CoilCurves) -> float:
    """The rule of thumb over every lawful pair of energy and rate: each on-time as often as coil,
    supply, duty and break rate let it come, all voices together."""
    longest = 0.0
    for index in range(1, int(curves.longest_us / STEP_US) + 1):
        on_us = index * STEP_US
        rate_hz = min(
            float(coil.max_break_rate_hz),
            duty_share(coil) / on_us * 1e6,
            curves.most_rate_hz(on_us),
        )
        longest = max(longest, arc_of_bangs_m(curves.most_energy_j(on_us), rate_hz))
    return longest


def keep_out(coil: Coil, audience: Audience | None) -> KeepOut:
    """The keep-out distance of one coil."""
    site, curves = audience or DEFAULTS, curves_of(coil)
    return KeepOut(
        coil=coil.name,
        measured_arc_m=None if coil.tank is None else coil.tank.longest_measured_arc_m,
        estimated_arc_m=None if curves is None else estimated_arc_m(coil, curves),
        floor_m=site.keep_out_floor_m,
        margin_percent=site.keep_out_margin_percent,
    )


def keep_outs(config: Config) -> list[KeepOut]:
    return [keep_out(coil, config.site.audience) for coil in config.coil]
