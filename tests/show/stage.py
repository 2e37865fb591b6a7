"""Shows on virtual sites: scores made here, and when each note's first pulse came."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import mido

from bridge.config import Config
from bridge.show.player import Item, Player
from bridge.show.score_file import Score, ScoreEvent
from bridge.show.show_source import Playing, ShowSource
from bridge.virtual_site import TimedPulse, VirtualSite

NOTE_S = 0.08


def score_of(notes: Sequence[tuple[float, int, int]], length_s: float = NOTE_S) -> Score:
    """(seconds, key, channel from 1) → a score at 120 quarter notes a minute."""
    events = [ScoreEvent(at, bytes([0x90 | ch - 1, key, 100])) for at, key, ch in notes]
    events += [ScoreEvent(at + length_s, bytes([0x80 | ch - 1, key, 0])) for at, key, ch in notes]
    return Score(sorted(events, key=lambda e: e.position_s), ticks_per_quarter=480)


def midi_file(path: Path, *tracks: Sequence[mido.Message | mido.MetaMessage]) -> Path:
    """Writes a type 1 file of `tracks`, 480 ticks a quarter note."""
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    for messages in tracks:
        file.tracks.append(mido.MidiTrack(messages))
    data = io.BytesIO()
    file.save(file=data)
    path.write_bytes(data.getvalue())
    return path


def stage(
    config: Config,
    items: Sequence[Item],
    playing: Sequence[Playing] | None = None,
    source: ShowSource | None = None,
) -> tuple[VirtualSite, ShowSource]:
    """An armed virtual site and the show on it, its source made here if none is given."""
    source = source or ShowSource(config, Player(items), playing or [Playing() for _ in items])
    site = VirtualSite(config, source)
    site.arm()
    return site, source


def first_pulses(pulses: Sequence[TimedPulse], gap_s: float) -> list[float]:
    """Starts of pulses that come after at least `gap_s` of silence, in true seconds."""
    starts = [p.start_s for p in pulses]
    return [b for a, b in zip([float("-inf"), *starts], starts, strict=False) if b - a >= gap_s]
