"""The actual set: a record of pulses → power second by second, for its noise dose and its mains.

Reads what `demo --pulses` writes: coil, start_us, on_time_us. One file is read; nothing else.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from bridge.csv_rows import csv_rows

COLUMNS = ("coil", "start_us", "on_time_us")
STRETCH_S = 1.0
"""Sound level meters' slow time weighting has this time constant (IEC 61672-1, from memory)."""


class SetError(Exception):
    """A record that cannot be used; its text names file, row and column."""


@dataclass(frozen=True, slots=True)
class PlayedSet:
    """Per coil, each second's pulses as (number, on-times in µs)."""

    seconds: int
    on_times_us: Mapping[str, Mapping[int, list[float]]]


def read_set(path: Path, coils: set[str]) -> PlayedSet:
    """Raises SetError, OSError."""
    found: dict[str, dict[int, list[float]]] = {name: defaultdict(list) for name in coils}
    last = 0
    with csv_rows(path, SetError) as rows:
        missing = [c for c in COLUMNS if c not in (rows.fieldnames or ())]
        if missing:
            raise SetError(f"{path}: no column {' or '.join(missing)} in the first row")
        for number, row in enumerate(rows, start=2):
            name = row["coil"]
            if name not in found:
                raise SetError(f"{path}, row {number}, coil: the site has no coil {name!r}")
            try:
                start_us, on_us = float(row["start_us"]), float(row["on_time_us"])
            except (TypeError, ValueError) as error:
                raise SetError(f"{path}, row {number}: not a number") from error
            if not (0 <= start_us < math.inf and 0 < on_us < math.inf):
                raise SetError(f"{path}, row {number}: start and on-time must be above 0")
            second = int(start_us * 1e-6 / STRETCH_S)
            found[name][second].append(on_us)
            last = max(last, second)
    return PlayedSet(last + 1, found)
