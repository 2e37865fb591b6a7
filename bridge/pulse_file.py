"""Pulses as CSV: coil, start_us, on_time_us. Written by `demo` and `rehearse`, read by `site`."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from bridge.site.played_set import COLUMNS
from bridge.virtual_site import TimedPulse


def write_pulses(
    pulses: Mapping[str, Sequence[TimedPulse]], path: Path, *, zero_s: float | None = None
) -> int:
    """Every pulse by time; `zero_s`: what counts as 0, the first pulse if None, and if it comes
    earlier. Returns how many. Raises OSError."""
    rows = sorted((p.start_s, name, p.on_s) for name, found in pulses.items() for p in found)
    first_s = rows[0][0] if rows else 0.0
    zero_s = first_s if zero_s is None else min(zero_s, first_s)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for start_s, name, on_s in rows:
            writer.writerow((name, f"{(start_s - zero_s) * 1e6:.1f}", f"{on_s * 1e6:.1f}"))
    return len(rows)
