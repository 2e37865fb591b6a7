"""An independent judge of emitted pulses: brute force over every edge, one coil at a time.

It shares nothing with governor, guard or their helpers: it sees pulses and limits only. Integers
and fractions are compared exactly; floats (in µs) with FLOAT_SLACK_US, far below a tick.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

FLOAT_SLACK_US = 1e-5

Time = int | float | Fraction


@dataclass(frozen=True)
class Violation:
    """One limit that was broken, at its first worst place."""

    kind: str
    """"on-time", "off-time", "break rate" or "duty"."""
    at_us: float
    found: float
    allowed: float
    window_us: float = 0.0


def _exact(values: Sequence[Time], scale: int) -> np.ndarray[Any, Any]:
    return np.array([int(Fraction(v) * scale) for v in values], dtype=np.int64)


def on_time_before(
    starts: np.ndarray[Any, Any], ends: np.ndarray[Any, Any], times: np.ndarray[Any, Any]
) -> np.ndarray[Any, Any]:
    """On-time of all pulses up to each time; pulses sorted and not overlapping."""
    total = np.concatenate([[0], np.cumsum(ends - starts)]).astype(starts.dtype)
    index = np.searchsorted(starts, times, side="right")
    last_end = ends[np.maximum(index - 1, 0)]
    unfinished = np.where(index > 0, np.maximum(last_end - times, 0), 0)
    return total[index] - unfinished


def check_pulses(
    pulses: Sequence[tuple[Time, Time]],
    *,
    max_on_us: Time,
    min_off_us: Time,
    max_starts_1s: int,
    windows: Sequence[tuple[Time, Time]],
) -> list[Violation]:
    """Every limit that these pulses break; empty when they are lawful.

    pulses: (start, on-time) in µs, any order. windows: (length, most on-time in it) in µs. Duty is
    the on-time inside a window, parts of pulses included; the break rate counts the starts in any
    half-open second [t, t + 1 s).
    """
    if not pulses:
        return []
    flat: list[Time] = [v for p in pulses for v in p]
    flat += [max_on_us, min_off_us, *[v for w in windows for v in w]]
    if any(isinstance(v, float) for v in flat):
        scale, slack = 1, FLOAT_SLACK_US
        pairs = np.array([(float(s), float(n)) for s, n in pulses], dtype=np.float64)
    else:
        scale, slack = math.lcm(*{Fraction(v).denominator for v in flat}), 0
        pairs = np.stack([_exact([p[0] for p in pulses], scale),
                          _exact([p[1] for p in pulses], scale)], axis=1)  # fmt: skip
    pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
    starts, on = pairs[:, 0], pairs[:, 1]
    ends = starts + on
    as_is = float(scale)
    found: list[Violation] = []

    worst = int(np.argmax(on))
    if on[worst] > _limit(max_on_us, scale) + slack:
        found.append(
            Violation("on-time", starts[worst] / as_is, on[worst] / as_is, float(max_on_us))
        )
    if len(starts) > 1:
        gaps = starts[1:] - ends[:-1]
        worst = int(np.argmin(gaps))
        if gaps[worst] < _limit(min_off_us, scale) - slack:
            found.append(
                Violation("off-time", ends[worst] / as_is, gaps[worst] / as_is, float(min_off_us))
            )
    second = 1_000_000 * scale
    counts = np.searchsorted(starts, starts + second - slack, side="left") - np.arange(len(starts))
    worst = int(np.argmax(counts))
    if counts[worst] > max_starts_1s:
        found.append(
            Violation("break rate", starts[worst] / as_is, float(counts[worst]),
                      float(max_starts_1s), 1e6)
        )  # fmt: skip
    for length_us, most_us in windows:
        length = _limit(length_us, scale)
        begins = np.concatenate([starts, ends, starts - length, ends - length])
        inside = on_time_before(starts, ends, begins + length) - on_time_before(
            starts, ends, begins
        )
        worst = int(np.argmax(inside))
        if inside[worst] > _limit(most_us, scale) + slack:
            found.append(
                Violation("duty", begins[worst] / as_is, inside[worst] / as_is, float(most_us),
                          float(length_us))
            )  # fmt: skip
    return found


def _limit(value: Time, scale: int) -> Any:
    return value if isinstance(value, float) else int(Fraction(value) * scale)


def worst_slot_sum(
    start_ticks: np.ndarray[Any, Any],
    weights: np.ndarray[Any, Any],
    *,
    slot_ticks: int,
    first_boundary: int,
) -> int:
    """The highest sum of weights over 33 neighbouring slots, each pulse in the slot it starts in.

    slot boundaries lie at first_boundary + n·slot_ticks. PROTOCOL.md, section 9.
    """
    if len(start_ticks) == 0:
        return 0
    slots = (start_ticks - first_boundary) // slot_ticks
    slots -= slots.min()
    per_slot = np.bincount(slots, weights=weights).astype(np.int64)
    total = np.concatenate([np.zeros(33, dtype=np.int64), np.cumsum(per_slot)])
    return int(np.max(total[33:] - total[:-33]))
