"""Effective inductance and loss from a user's own scope readings, with their uncertainty. Pure.

The model is the closed form of ring_up.py in the two numbers a curve of currents really fixes: the
slope a = V₁/2L and the bend b = R/2L. Fitted by least squares (scipy), each reading weighted by its
relative error; 1-sigma errors from the covariance, widened where the readings scatter more than
that (reduced χ² above 1). A fit says nothing beyond its longest on-time.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from bridge.coil.ring_up import RingUp
from bridge.csv_rows import csv_rows

READING_ERROR = 0.03
"""Of a current read off a scope with a current transformer (common practice, no source)."""
LEAST_READINGS = 3
_ROUNDING = 1e-9
SIGMAS = 2.0
"""How many of its errors a limit stays away from the fitted value: 95 %."""


class FitError(Exception):
    """Readings that no fit can stand on; its text says why."""


@dataclass(frozen=True, slots=True)
class Reading:
    on_time_us: float
    peak_current_a: float
    breakout: bool = True
    """Was there an arc? Readings with one hide how far the same pulse goes without."""


@dataclass(frozen=True, slots=True)
class Fit:
    """What the readings say of the primary, at the bus voltage they were taken at."""

    drive_v: float
    inductance_h: float
    inductance_error_h: float
    resistance_ohm: float
    resistance_error_ohm: float
    readings: tuple[Reading, ...]
    residual_percent: float
    """Root mean square of the relative misfit."""

    @property
    def with_arc(self) -> bool:
        return any(r.breakout for r in self.readings)

    @property
    def longest_us(self) -> float:
        return max(r.on_time_us for r in self.readings)

    @property
    def ring_up(self) -> RingUp:
        return RingUp(self.drive_v, self.inductance_h, self.resistance_ohm)

    @property
    def least_inductance_h(self) -> float:
        """What limits stand on: the fitted value less its error, and never more than any single
        reading allows (I ≤ V₁·t/2L whatever the loss)."""
        low = self.inductance_h - SIGMAS * self.inductance_error_h
        each = [self.drive_v * r.on_time_us * 1e-6 / (2 * r.peak_current_a) for r in self.readings]
        return max(1e-9, min(low, *each))

    @property
    def least_resistance_ohm(self) -> float:
        """The loss that limits may count on: none where an arc helped."""
        if self.with_arc:
            return 0.0
        return max(0.0, self.resistance_ohm - SIGMAS * self.resistance_error_ohm)

    def current_a(self, on_time_us: float) -> float:
        """Raises ValueError beyond what was measured."""
        if on_time_us > self.longest_us * (1 + _ROUNDING):
            raise ValueError(
                f"{on_time_us:g} µs is beyond the longest on-time measured, {self.longest_us:g} µs"
            )
        return self.ring_up.current_a(on_time_us * 1e-6)

    def longest_for_us(self, current_a: float) -> float:
        """The on-time that reaches the current, as fitted; at most the longest measured."""
        return min(self.longest_us, self.ring_up.time_to_s(current_a) * 1e6)


def _model(times_s: NDArray[np.float64], slope: float, bend: float) -> NDArray[np.float64]:
    # a·t·(1 − e⁻ˣ)/x, and its series where x is next to nothing: the bend must be felt there too.
    x = bend * times_s
    small = x < 1e-5
    safe = np.where(small, 1.0, x)
    return slope * times_s * np.where(small, 1 - x / 2, -np.expm1(-safe) / safe)


def fit(readings: Sequence[Reading], drive_v: float, error: float = READING_ERROR) -> Fit:
    """Raises FitError: too few readings, no spread, or with and without an arc mixed."""
    if len({r.on_time_us for r in readings}) < LEAST_READINGS:
        raise FitError(f"at least {LEAST_READINGS} different on-times are needed")
    if len({r.breakout for r in readings}) > 1:
        raise FitError("readings with and without an arc are two curves: fit each by itself")
    if any(not (0 < r.on_time_us < math.inf and 0 < r.peak_current_a < math.inf) for r in readings):
        raise FitError("on-times and currents must be above 0")
    times_s = np.array([r.on_time_us * 1e-6 for r in readings])
    currents = np.array([r.peak_current_a for r in readings])
    first = float(np.max(currents / times_s))
    longest_s = float(np.max(times_s))
    try:
        found = curve_fit(
            _model, times_s, currents, p0=(first, 0.5 / longest_s), sigma=error * currents,
            absolute_sigma=True, bounds=([first * 1e-3, 0.0], [first * 1e3, 50 / longest_s]),
        )  # fmt: skip
    except RuntimeError as problem:
        raise FitError(f"no fit was found: {problem}") from problem
    slope, bend = (float(v) for v in found[0])
    covariance = cast(NDArray[np.float64], found[1])
    misfit = (_model(times_s, slope, bend) - currents) / currents
    freedom = max(1, len(readings) - 2)
    widen = max(1.0, float(np.sum((misfit / error) ** 2)) / freedom)
    covariance = covariance * widen
    inductance = drive_v / (2 * slope)
    resistance = drive_v * bend / slope
    gradient = np.array([-drive_v * bend / slope**2, drive_v / slope])
    variance = float(gradient @ covariance @ gradient)
    return Fit(
        drive_v=drive_v,
        inductance_h=inductance,
        inductance_error_h=inductance * math.sqrt(float(covariance[0, 0])) / slope,
        resistance_ohm=resistance,
        resistance_error_ohm=math.sqrt(max(0.0, variance)),
        readings=tuple(readings),
        residual_percent=100 * float(np.sqrt(np.mean(misfit**2))),
    )


COLUMNS = ("on_time_us", "peak_current_a", "breakout")
_YES = {"yes": True, "no": False, "1": True, "0": False, "true": True, "false": False}


def read_csv(path: Path) -> list[Reading]:
    """Rows of on_time_us, peak_current_a and, if there, breakout (yes or no; missing: yes).

    Raises FitError that names file, row and column; OSError.
    """
    readings: list[Reading] = []
    with csv_rows(path, FitError) as rows:
        missing = [c for c in COLUMNS[:2] if c not in (rows.fieldnames or ())]
        if missing:
            raise FitError(f"{path}: no column {' or '.join(missing)} in the first row")
        for number, row in enumerate(rows, start=2):
            try:
                on_us, current = float(row["on_time_us"]), float(row["peak_current_a"])
            except (TypeError, ValueError) as error:
                raise FitError(f"{path}, row {number}: not a number") from error
            said = (row.get("breakout") or "yes").strip().lower()
            if said not in _YES:
                raise FitError(f"{path}, row {number}, breakout: {said!r}; yes or no is meant")
            readings.append(Reading(on_us, current, _YES[said]))
    return readings


def write_csv(path: Path, readings: Sequence[Reading]) -> None:
    """Raises OSError."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for r in readings:
            arc = "yes" if r.breakout else "no"
            writer.writerow((f"{r.on_time_us:g}", f"{r.peak_current_a:g}", arc))
