"""Where a new train's first pulse goes, so that voices in simple ratios interleave, not collide.

Two trains whose rates stand as p : q (in lowest terms) meet in a pattern of the common period
T = p / f1 = q / f2. All distances between a pulse of one and a pulse of the other are one offset
plus whole multiples of T / (p q), because p and q have no common factor. The best that any phase
can do is therefore to sit half-way between those: T / (2 p q) from the nearest pulse. An octave
(1 : 2) over a bass struck with it gets half of its own period; a fifth (2 : 3) a quarter.
"""

from __future__ import annotations

from collections.abc import Sequence

MAX_PHASE = 0.5
TOGETHER_S = 0.002
"""Voices started no further apart than this are placed against each other."""
_ROUNDING_S = 1e-9

_SIMPLE = ((1, 2), (1, 3), (2, 3), (3, 4), (1, 4))
_RATIOS = _SIMPLE + tuple((q, p) for p, q in _SIMPLE)
_TOLERANCE = 2.0 ** (3.0 / 1200.0)
"""Three cents: takes in the tempered fifth and fourth (2 cents off)."""
_STEPS = 12
"""Phases tried, besides the ideal ones, when several voices must be avoided."""


def simple_ratio(first_hz: float, second_hz: float) -> tuple[int, int] | None:
    """(p, q) where first : second is within 3 cents of a simple p : q, else None."""
    quotient = first_hz / second_hz
    for p, q in _RATIOS:
        exact = p / q
        if exact / _TOLERANCE <= quotient <= exact * _TOLERANCE:
            return p, q
    return None


def interleaving_phase(
    rate_hz: float, start_s: float, others: Sequence[tuple[float, float, float]]
) -> float:
    """The phase, 0..0.5 of its own period, for a train of `rate_hz` that starts at `start_s`.

    `others` are trains already there as (rate_hz, start_s, phase). Those not started together with
    it or not in a simple ratio do not count; with none left the phase is 0 (sound at once).
    """
    period_s = 1.0 / rate_hz
    grids: list[tuple[float, float]] = []
    ideals: list[float] = []
    for other_hz, other_start_s, other_phase in others:
        if abs(start_s - other_start_s) > TOGETHER_S + _ROUNDING_S:
            continue
        ratio = simple_ratio(other_hz, rate_hz)
        if ratio is None:
            continue
        grid_s = 1.0 / (other_hz * ratio[1])  # T / (p q), with T = p / other_hz
        nearest_s = other_start_s - start_s + other_phase / other_hz
        grids.append((nearest_s, grid_s))
        ideals.append(((nearest_s + grid_s / 2.0) % grid_s) / period_s)
    if not grids:
        return 0.0
    best = 0.0
    best_gap_s = -1.0
    tried = [x for x in ideals if x <= MAX_PHASE]
    tried += [MAX_PHASE * step / _STEPS for step in range(_STEPS + 1)]
    for phase in tried:
        gap_s = min(_gap_s(phase * period_s - nearest_s, grid_s) for nearest_s, grid_s in grids)
        if gap_s > best_gap_s + 1e-12:
            best, best_gap_s = phase, gap_s
    return best


def _gap_s(offset_s: float, grid_s: float) -> float:
    """Distance from the nearest multiple of `grid_s`."""
    within_s = offset_s % grid_s
    return min(within_s, grid_s - within_s)
