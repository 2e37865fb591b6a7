"""What `coilwarden site` says of a site, as plain values. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

from bridge.coil.checks import unprotected
from bridge.coil.curves import curves_of
from bridge.config import Config
from bridge.governor.mains import budget_of
from bridge.link.renewal import LEASE_S, REFRESH_S
from bridge.link.slots import MOTION_S
from bridge.mains.breaker import earliest, latest
from bridge.mains.inrush import Inrush, inrush
from bridge.mains.supply import lines_of
from bridge.site.cautions import CAUTIONS, GUIDANCE
from bridge.site.keep_out import duty_share, keep_outs
from bridge.site.played_set import STRETCH_S, PlayedSet
from bridge.site.sound import (
    ASSUMED_AT_M,
    ASSUMED_LEVEL_DB,
    Dose,
    at_distance_db,
    at_power_db,
    dose,
)
from bridge.timeline import acoustic_offsets_s, speed_of_sound_m_s

_ANY_J = 10.0
"""Of the longest bang of a coil whose tank is not known: only shares of the loudest are used."""
BREAKER_MULTIPLES = (1.0, 1.13, 1.25, 1.45, 2.0, 2.55, 4.0)


@dataclass(frozen=True, slots=True)
class ZoneRow:
    coil: str
    arc_m: float
    source: str
    keep_out_m: float
    distance_to_audience_m: float | None
    acoustic_delay_ms: float | None
    """From the coil to the middle of the audience."""
    fires_earlier_ms: float
    """Than the source that sounds last, coil or loudspeakers: all arrive together (with a delayed
    input)."""


@dataclass(frozen=True, slots=True)
class CoilMainsRow:
    coil: str
    lines: tuple[int, ...]
    """Which feed it; its currents are those of each of them."""
    longest_bang_j: float
    """Worst case."""
    bangs_a_second: float
    """Of its longest bangs, that the whole budget pays for."""
    most_a: float
    """What it would draw by its own limits alone, no budget."""
    inrush: Inrush | None
    """Of its empty bus; None: not told."""


@dataclass(frozen=True, slots=True)
class BreakerRow:
    current_a: float
    multiple: float
    earliest_s: float | None
    """None: never by heat."""
    latest_s: float | None


@dataclass(frozen=True, slots=True)
class PlaceRow:
    place: str
    distance_m: float
    loudest_db: float
    dose: Dose


@dataclass(frozen=True, slots=True)
class SiteReport:
    site: str
    guidance: str
    unprotected: tuple[str, ...]
    speed_of_sound_m_s: float
    zones: tuple[ZoneRow, ...]
    mains_budget_a: float | None
    mains_steady_a: float | None
    """What the governor holds all coils to for ever; the rest of the budget is for moments."""
    continuous_a: float | None
    coils_on_mains: tuple[CoilMainsRow, ...]
    breaker: tuple[BreakerRow, ...]
    level_source: str
    dose_of: str
    places: tuple[PlaceRow, ...]
    cautions: tuple[tuple[str, str], ...] = CAUTIONS


def _finite(seconds: float) -> float | None:
    return seconds if math.isfinite(seconds) else None


def _mains(config: Config) -> tuple[float | None, tuple[CoilMainsRow, ...], tuple[BreakerRow, ...]]:
    mains = config.site.mains
    budget = budget_of(config, lease_s=LEASE_S, refresh_s=REFRESH_S, motion_s=MOTION_S)
    if mains is None:
        return None, (), ()
    rows: list[CoilMainsRow] = []
    early = earliest(mains.breaker, mains.breaker_a, mains.curve)
    own_a = mains.allowed_a - mains.other_load_a
    for coil in config.coil:
        curves = curves_of(coil)
        if curves is None or budget is None:
            continue
        share = budget.shares[coil.name]
        on_us = curves.longest_us
        charge = share.charge_as(on_us)
        rate_hz = min(
            coil.max_break_rate_hz, duty_share(coil) / on_us * 1e6, curves.most_rate_hz(on_us)
        )
        assert coil.supply is not None  # a coil with curves has one
        lines = lines_of(mains.system, coil.supply.lines)
        rows.append(
            CoilMainsRow(
                coil.name, lines, curves.most_energy_j(on_us), own_a / charge, rate_hz * charge,
                inrush(mains, coil.supply, lines, early),
            )
        )  # fmt: skip
    late = latest(mains.breaker, mains.breaker_a, mains.curve)
    breaker = tuple(
        BreakerRow(m * mains.breaker_a, m, _finite(early.trip_s(m * mains.breaker_a)),
                   _finite(late.trip_s(m * mains.breaker_a)))
        for m in BREAKER_MULTIPLES
    )  # fmt: skip
    return (None if budget is None else budget.flow_a), tuple(rows), breaker


def _square(longest_us: float, on_time_us: float) -> float:
    return _ANY_J * (on_time_us / longest_us) ** 2


def _power_shares(config: Config, played: PlayedSet) -> list[float]:
    """Second by second, the power of all coils as a share of the loudest the site can be."""
    loudest_w = 0.0
    watts = [0.0] * played.seconds
    for coil in config.coil:
        curves = curves_of(coil)
        on_us = coil.max_on_time_us if curves is None else curves.longest_us
        # Without tank data the square law: energies of such coils count alike at full on-time.
        find = partial(_square, on_us) if curves is None else curves.energy_j
        rate_hz = min(coil.max_break_rate_hz, duty_share(coil) / on_us * 1e6)
        if curves is not None:
            rate_hz = min(rate_hz, curves.most_rate_hz(on_us))
        loudest_w += rate_hz * find(on_us)
        for second, pulses in played.on_times_us[coil.name].items():
            watts[second] += sum(find(on) for on in pulses) / STRETCH_S
    return [w / loudest_w if loudest_w > 0 else 0.0 for w in watts]


def _places(config: Config, played: PlayedSet | None) -> tuple[tuple[PlaceRow, ...], str, str]:
    audience = config.site.audience
    if audience is None:
        return (), "", ""
    level, at_m = audience.measured_level_db, audience.measured_at_m
    source = f"measured at {at_m:g} m"
    if level is None:
        level, at_m = ASSUMED_LEVEL_DB, ASSUMED_AT_M
        source = f"assumed {level:g} dB at {at_m:g} m (common practice, no source), not measured"
    if played is None:
        what = (
            f"an assumed set, none was given (--set): {audience.set_minutes:g} min "
            "(site.audience.set_minutes) without a pause at the highest power the limits allow"
        )
        shares = [(audience.set_minutes * 60, 1.0)]
    else:
        what = f"the recorded set of {played.seconds * STRETCH_S:g} s, second by second"
        shares = [(STRETCH_S, share) for share in _power_shares(config, played)]
    rows: list[PlaceRow] = []
    for place, distance in (
        ("operator", audience.operator_m), ("nearest of the audience", audience.nearest_m),
    ):  # fmt: skip
        loudest = at_distance_db(level, at_m, distance)
        levels = [(s, at_power_db(loudest, share)) for s, share in shares]
        rows.append(PlaceRow(place, distance, loudest, dose(levels)))
    return tuple(rows), source, what


def site_report(config: Config, played: PlayedSet | None = None) -> SiteReport:
    """The whole site. played: a record of the set, for its own dose."""
    speed = speed_of_sound_m_s(config.site.air_temperature_c)
    offsets = acoustic_offsets_s(config)
    latest_s = max(offsets.values(), default=0.0)
    if config.site.loudspeaker_distance_m is not None:
        latest_s = max(latest_s, 0.0)  # theirs: the timeline's own time
    zones: list[ZoneRow] = []
    for coil, zone in zip(config.coil, keep_outs(config), strict=True):
        distance = coil.distance_to_audience_m
        zones.append(
            ZoneRow(
                coil.name, zone.arc_m, zone.source, zone.distance_m, distance,
                None if distance is None else 1000 * distance / speed,
                1000 * (latest_s - offsets[coil.name]),
            )
        )  # fmt: skip
    steady_a, rows, breaker = _mains(config)
    places, source, what = _places(config, played)
    mains = config.site.mains
    return SiteReport(
        site=config.site.name,
        guidance=GUIDANCE,
        unprotected=tuple(unprotected(config)),
        speed_of_sound_m_s=speed,
        zones=tuple(zones),
        mains_budget_a=None if mains is None else mains.allowed_a,
        mains_steady_a=steady_a,
        continuous_a=None if mains is None else mains.continuous_a,
        coils_on_mains=rows,
        breaker=breaker,
        level_source=source,
        dose_of=what,
        places=places,
    )
