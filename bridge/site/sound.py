"""Sound level by distance, and the noise dose of a set. Pure.

- Distance: −20·log₁₀(r/r₀) dB (inverse-square law: point source, free field). Indoors and near
  walls it falls more slowly; nothing here knows the room.
- Power: +10·log₁₀(P/P₀) dB (level of an energy-like quantity), with sound taken as proportional to
  the energy of the bangs (common practice, no source).
- NIOSH 98-126: T = 8 h / 2^((L − 85)/3), levels from 80 dB counted.
- OSHA, 29 CFR 1910.95 table G-16 and appendix A: T = 8 h / 2^((L − 90)/5), levels from 80 dB
  counted (the hearing conservation amendment); dose D = 100·Σ C/T. Impulse peaks: at most 140 dB.

Guidance only: a dose is measured with a dosimeter at the ear, by somebody who knows how.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

ASSUMED_LEVEL_DB = 115.0
ASSUMED_AT_M = 3.0
"""A pair of big coils close by, 115 dB and more (common practice, no source), where the site's own
level was not measured."""
THRESHOLD_DB = 80.0
PEAK_LIMIT_DB = 140.0


def at_distance_db(level_db: float, measured_at_m: float, distance_m: float) -> float:
    """Free field."""
    return level_db - 20 * math.log10(distance_m / measured_at_m)


def at_power_db(level_db: float, share: float) -> float:
    """At a share of the power the level belongs to; −inf for none."""
    return level_db + 10 * math.log10(share) if share > 0 else -math.inf


def sum_db(levels_db: Iterable[float]) -> float:
    """Sources that do not depend on each other."""
    total = sum(10 ** (level / 10) for level in levels_db)
    return 10 * math.log10(total) if total > 0 else -math.inf


def niosh_time_s(level_db: float) -> float:
    """How long a day the level is allowed."""
    return 8 * 3600 / 2 ** ((level_db - 85) / 3)


def osha_time_s(level_db: float) -> float:
    return 8 * 3600 / 2 ** ((level_db - 90) / 5)


@dataclass(frozen=True, slots=True)
class Dose:
    """Shares of a day's allowance, in percent."""

    niosh_percent: float
    osha_percent: float
    loudest_db: float
    equivalent_db: float
    """The steady level with the same energy over the same time."""
    seconds: float


def dose(levels: Sequence[tuple[float, float]]) -> Dose:
    """From (seconds, level in dB) of every stretch of a set."""
    niosh = sum(s / niosh_time_s(db) for s, db in levels if db >= THRESHOLD_DB)
    osha = sum(s / osha_time_s(db) for s, db in levels if db >= THRESHOLD_DB)
    seconds = sum(s for s, _ in levels)
    energy = sum(s * 10 ** (db / 10) for s, db in levels)
    return Dose(
        niosh_percent=100 * niosh,
        osha_percent=100 * osha,
        loudest_db=max((db for _, db in levels), default=-math.inf),
        equivalent_db=10 * math.log10(energy / seconds) if energy > 0 else -math.inf,
        seconds=seconds,
    )
