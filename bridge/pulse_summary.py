"""What a row of pulses amounts to: worst on-time, gap, rate and duty in any window. Pure, numpy.

Looks back at pulses that were fired; has no part in deciding them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PulseSummary:
    pulses: int
    longest_on_time_us: float
    shortest_off_time_us: float | None
    """None with fewer than two pulses."""
    most_in_1s: int
    """Most starts in any one second."""
    worst_duty_percent: dict[int, float]
    """By window in ms: the most on-time in any window of that length, as a share of it."""


def summarise(
    start_us: Sequence[float] | Floats,
    on_time_us: Sequence[float] | Floats,
    windows_ms: Sequence[int],
) -> PulseSummary:
    """`start_us` rising, `on_time_us` of the same length, both in µs of true time."""
    start: Floats = np.asarray(start_us, dtype=np.float64)
    on: Floats = np.asarray(on_time_us, dtype=np.float64)
    if start.size == 0:
        return PulseSummary(0, 0.0, None, 0, dict.fromkeys(windows_ms, 0.0))
    end = start + on
    gaps = start[1:] - end[:-1]
    first_outside = np.searchsorted(start, start + 1e6, side="left")
    return PulseSummary(
        pulses=int(start.size),
        longest_on_time_us=float(on.max()),
        shortest_off_time_us=float(gaps.min()) if gaps.size else None,
        most_in_1s=int((first_outside - np.arange(start.size)).max()),
        worst_duty_percent={
            w: 100 * _worst_on_time_us(start, end, w * 1000.0) / (w * 1000.0) for w in windows_ms
        },
    )


def _worst_on_time_us(start: Floats, end: Floats, window_us: float) -> float:
    """The most on-time in any window: its edges lie at a pulse's start or at a pulse's end."""
    total = np.concatenate(([0.0], np.cumsum(end - start)))

    def on_before(time: Floats) -> Floats:
        begun = np.searchsorted(start, time, side="left")
        last = np.maximum(begun - 1, 0)
        over = np.where(begun > 0, np.maximum(0.0, end[last] - time), 0.0)
        return total[begun] - over

    forward = on_before(start + window_us) - on_before(start)
    backward = on_before(end) - on_before(end - window_us)
    return float(max(forward.max(), backward.max()))


def mean_rate_hz(start_us: Sequence[float]) -> float:
    """Mean break rate of a solo train: gaps over the time between first and last start.

    Raises ValueError with fewer than two pulses.
    """
    if len(start_us) < 2:
        raise ValueError("a rate needs two pulses")
    return (len(start_us) - 1) * 1e6 / (start_us[-1] - start_us[0])
