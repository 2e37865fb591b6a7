"""What a rehearsal should say, reckoned without it: from the MIDI file, by mido, and from --pulses.

Which notes sounded is read off the pulses' times: a note of f Hz is there while a grid of 1/f s is
filled. A note an octave up fills it as well, so of the notes whose grids are filled those are taken
whose rates add up to what was counted.
"""

from __future__ import annotations

import csv
import itertools
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import mido  # pyright: ignore[reportMissingTypeStubs]
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
SETTLED_S = 0.004
"""A note's first pulse comes within its first period and a part of it; looked at from here on."""
TAIL_S = 0.3
"""A note may sound on so long after its end."""
LATE_S = 0.0006
"""A pulse that collides with another is put off by its on-time and off-time at most."""
FILLED = 0.8


@dataclass(slots=True)
class Note:
    channel: int
    key: int
    velocity: int
    begin_s: float
    end_s: float
    sounds_key: int
    """Where a coil's range has it sound."""
    sounding: list[bool] = field(default_factory=list[bool])
    """In each part of its time, in order."""

    @property
    def hz(self) -> float:
        """Twelve-tone equal temperament, A4 = 440 Hz (ISO 16; MIDI 1.0's note 69)."""
        return 440 * 2 ** ((self.sounds_key - 69) / 12)

    @property
    def fate(self) -> str:
        if not any(self.sounding):
            return "dropped"
        return "whole" if all(self.sounding) else "shortened"


def notes_of(path: Path) -> list[Note]:
    """By mido's own reckoning of seconds; a note struck again ends the one before."""
    now_s, found = 0.0, list[Note]()
    held: dict[tuple[int, int], Note] = {}
    for message in mido.MidiFile(path, clip=True):  # pyright: ignore[reportUnknownVariableType]
        one: Any = message
        now_s += one.time
        if one.type not in ("note_on", "note_off"):
            continue
        place = one.channel + 1, one.note
        if (ended := held.pop(place, None)) is not None:
            ended.end_s = now_s
        if one.type == "note_on" and one.velocity:
            held[place] = Note(*place, one.velocity, now_s, now_s, one.note)
            found.append(held[place])
    assert not held
    return found


def pulses_of(path: Path) -> dict[str, tuple[Floats, Floats]]:
    """By coil: starts in s, on-times in µs."""
    rows: dict[str, list[tuple[float, float]]] = {}
    with path.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            pulse = float(row["start_us"]) * 1e-6, float(row["on_time_us"])
            rows.setdefault(row["coil"], []).append(pulse)
    return {name: (np.array(found)[:, 0], np.array(found)[:, 1]) for name, found in rows.items()}


def listen(notes: Sequence[Note], starts: Floats) -> None:
    """Finds in which parts of its time each note of one coil sounds."""
    edges = sorted({n.begin_s for n in notes} | {n.end_s for n in notes})
    for begin_s, end_s in itertools.pairwise(edges):
        held = [n for n in notes if n.begin_s <= begin_s and n.end_s >= end_s]
        if not held or end_s - begin_s < 3 * SETTLED_S:
            continue
        may = [n for n in notes if n.begin_s <= begin_s < n.end_s + TAIL_S]
        low_s, high_s = begin_s + SETTLED_S, end_s - SETTLED_S / 2
        parts = max(1, int((high_s - low_s) / max(0.04, 8 / min(n.hz for n in may))))
        step_s = (high_s - low_s) / parts
        for part in range(parts):
            here = low_s + part * step_s, low_s + (part + 1) * step_s
            there = _heard({n.hz for n in may}, {n.hz for n in held}, starts, *here)
            for note in held:
                note.sounding.append(note.hz in there)


def _heard(
    may_hz: Collection[float], held_hz: set[float], starts: Floats, low_s: float, high_s: float
) -> set[float]:
    filled = [hz for hz in may_hz if _filled(hz, starts, low_s, high_s) >= FILLED]
    count = np.count_nonzero((starts >= low_s) & (starts < high_s))
    subsets = [set(s) for n in range(len(filled) + 1) for s in itertools.combinations(filled, n)]
    # A tail is believed only where it tells of a pulse more than there would be without it.
    return min(subsets, key=lambda hz: abs(sum(hz) * (high_s - low_s) - count) + len(hz - held_hz))


def _filled(hz: float, starts: Floats, low_s: float, high_s: float) -> float:
    """The share of a grid of this pitch that is filled, its phase taken where it fits best."""
    here = starts[(starts >= low_s) & (starts < min(high_s, low_s + 4 / hz))]
    late_s = min(LATE_S, 0.25 / hz)
    best = 0.0
    for first in here:
        grid = np.arange(first, high_s, 1 / hz)
        after = np.searchsorted(starts, grid - 2e-6)
        near = starts[np.minimum(after, len(starts) - 1)] - grid
        best = max(best, float(np.mean((near >= -2e-6) & (near <= late_s))))
    return best


def on_times_us(note: Note, starts: Floats, on_us: Floats) -> Floats:
    """Of the pulses on the note's own grid, from when it has settled on, whatever else sounds."""
    low_s, high_s = note.begin_s + SETTLED_S, note.end_s - SETTLED_S
    best: tuple[float, Floats] = -1.0, np.array([])
    for first in starts[(starts >= low_s) & (starts < low_s + 2 / note.hz)]:
        grid = np.arange(first, high_s, 1 / note.hz)
        after = np.minimum(np.searchsorted(starts, grid - 2e-6), len(starts) - 1)
        on_it = np.abs(starts[after] - grid) <= 2e-6
        if (share := float(np.mean(on_it))) > best[0]:
            best = share, on_us[after[on_it]]
    return best[1]


def counted(notes: Sequence[Note]) -> dict[str, int]:
    """What the report should say of one coil that was asked for these."""
    fates = [n.fate for n in notes]
    dropped = fates.count("dropped")
    return {
        "asked": len(fates),
        "sounded": len(fates) - dropped,
        "shortened": fates.count("shortened"),
        "dropped": dropped,
    }
