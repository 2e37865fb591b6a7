"""A Standard MIDI File as the player needs it: messages in seconds, bars, quarter notes.

Read by mido; the tempo map and the bars are reckoned here, from ticks.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, cast

import mido  # pyright: ignore[reportMissingTypeStubs]
from mido.midifiles.meta import KeySignatureError  # pyright: ignore[reportMissingTypeStubs]

_DEFAULT_TEMPO_US = 500_000
MOST_MESSAGES = 2_000_000


class ScoreError(Exception):
    """A score that cannot be played; the text says why and what to do."""


class NoSuchPlaceError(ValueError):
    """A bar or an item that is not there."""


@dataclass(frozen=True, slots=True)
class ScoreEvent:
    """A channel message, status byte first, at `position_s` from the score's begin."""

    position_s: float
    message: bytes


class Score:
    """Messages by time, the tempo map, and the bars. Positions are seconds from the begin."""

    def __init__(
        self,
        events: Sequence[ScoreEvent],
        *,
        ticks_per_quarter: int,
        tempos: Sequence[tuple[int, int]] = (),
        signatures: Sequence[tuple[int, int, int]] = (),
        end_s: float = 0.0,
    ) -> None:
        """`tempos`: (tick, µs a quarter note); `signatures`: (tick, beats, unit). In order."""
        self.events = tuple(events)
        self.made_of = (ticks_per_quarter, tuple(tempos), tuple(signatures), end_s)
        """With the events, all it takes to make the same again."""
        self._per_quarter = ticks_per_quarter
        self._tempos = [(0, 0.0, _DEFAULT_TEMPO_US)]
        for tick, tempo_us in tempos:
            at_s = self.position_at_quarter(tick / ticks_per_quarter)
            if self._tempos[-1][0] == tick:
                self._tempos.pop()
            self._tempos.append((tick, at_s, tempo_us))
        self._signatures = [(0, 1, 4 * ticks_per_quarter)]  # tick, first bar, ticks a bar
        self._beats = [4]
        for tick, beats, unit in signatures:
            last_tick, last_bar, length = self._signatures[-1]
            bar = last_bar - (last_tick - tick) // length  # a bar cut short counts as one
            if last_tick == tick:
                self._signatures.pop()
                self._beats.pop()
            self._beats.append(beats)
            self._signatures.append((tick, bar, max(1, beats * 4 * ticks_per_quarter // unit)))
        self.duration_s = max([end_s, *(e.position_s for e in self.events[-1:])])

    def position_at_quarter(self, quarters: float) -> float:
        """Seconds at which so many quarter notes have passed."""
        tick = quarters * self._per_quarter
        index = bisect_right(self._tempos, tick, key=lambda t: t[0]) - 1
        at_tick, at_s, tempo_us = self._tempos[max(0, index)]
        return at_s + (tick - at_tick) * tempo_us / 1e6 / self._per_quarter

    def _tick_at(self, position_s: float) -> float:
        index = bisect_right(self._tempos, position_s, key=lambda t: t[1]) - 1
        at_tick, at_s, tempo_us = self._tempos[max(0, index)]
        return at_tick + (position_s - at_s) * 1e6 * self._per_quarter / tempo_us

    def bar_at(self, position_s: float) -> int:
        """The bar that sounds then, from 1; they are counted on after the score's end."""
        return self.place_at(position_s)[0]

    def place_at(self, position_s: float) -> tuple[int, float]:
        """Bar and beat that sound then, both from 1; a beat is the time signature's unit."""
        tick = self._tick_at(max(0.0, position_s)) + 1e-6
        index = bisect_right(self._signatures, tick, key=lambda s: s[0]) - 1
        at_tick, bar, length = self._signatures[index]
        bars, rest = divmod(tick - at_tick, length)
        return bar + int(bars), 1 + rest / length * self._beats[index]

    @property
    def tempos_us(self) -> tuple[tuple[float, int], ...]:
        """(position in seconds, microseconds a quarter note) of every tempo, the first at 0."""
        return tuple((at_s, tempo_us) for _, at_s, tempo_us in self._tempos)

    def position_at_bar(self, bar: int) -> float:
        """Where a bar begins. Raises NoSuchPlaceError for one that is not in the score."""
        last = self.bar_at(self.duration_s)
        if not 1 <= bar <= last:
            raise NoSuchPlaceError(f"there is no bar {bar}: the score has bars 1 to {last}")
        return self.begin_of_bar(bar)

    def begin_of_bar(self, bar: int) -> float:
        """Where a bar begins, or would begin after the score's end."""
        index = bisect_right(self._signatures, bar, key=lambda s: s[1]) - 1
        at_tick, first, length = self._signatures[index]
        return self.position_at_quarter((at_tick + (bar - first) * length) / self._per_quarter)


def _without_alien_chunks(data: bytes) -> bytes:
    """Chunks of other kinds are to be passed over (Standard MIDI Files 1.0); mido would not."""
    kept: list[bytes] = []
    at = 0
    while at + 8 <= len(data):
        kind, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8])
        end = at + 8 + length
        alien = at > 0 and kind != b"MTrk" and kind.isascii() and end <= len(data)
        if not alien:
            kept.append(data[at:end])
        at = end
    return b"".join([*kept, data[at:]])


def _merged(tracks: Sequence[Sequence[Any]]) -> list[tuple[int, Any]]:
    """Every message of all tracks with its tick, in order; of one tick, what ends comes first.

    Tracks are played together: a note of one that begins must not find the place of another's taken
    that ends at the same tick. In its own track an end overtakes nothing but notes that begin.
    """
    found: list[tuple[int, int, Any]] = []
    for track in tracks:
        tick, begun, overtakes = 0, set[tuple[int, int]](), True
        for message in track:
            if message.time:
                tick, begun, overtakes = tick + message.time, set[tuple[int, int]](), True
            rank = 1
            if message.type not in ("note_on", "note_off"):
                overtakes = overtakes and message.is_meta
            elif message.type == "note_on" and message.velocity:
                begun.add((message.channel, message.note))
            elif overtakes and (message.channel, message.note) not in begun:
                rank = 0
            found.append((tick, rank, message))
    found.sort(key=lambda each: each[:2])
    return [(tick, message) for tick, _, message in found]


def read_score(path: Path) -> Score:
    """The score in a Standard MIDI File, type 0 or 1. Raises ScoreError."""
    try:
        data = _without_alien_chunks(path.read_bytes())
        file: Any = mido.MidiFile(file=BytesIO(data), clip=True)
    except OSError as error:
        raise ScoreError(f"{path}: cannot be read: {error.strerror or error}") from error
    except (EOFError, ValueError, KeyError, IndexError, TypeError, KeySignatureError) as error:
        raise ScoreError(
            f"{path}: not a whole Standard MIDI File ({error or 'it ends too early'}); "
            "export it anew"
        ) from error
    if file.type == 2 or file.ticks_per_beat <= 0 or file.ticks_per_beat >= 0x8000:
        raise ScoreError(
            f"{path}: type 2 or SMPTE division; export it as type 1 in ticks a quarter note"
        )
    messages: list[tuple[int, bytes]] = []
    tempos: list[tuple[int, int]] = []
    signatures: list[tuple[int, int, int]] = []
    last_tick = 0
    for tick, message in _merged(cast(list[list[Any]], file.tracks)):
        last_tick = tick
        if message.type == "set_tempo" and message.tempo > 0:
            tempos.append((tick, message.tempo))
        elif message.type == "time_signature" and message.numerator > 0:
            signatures.append((tick, message.numerator, message.denominator))
        elif not message.is_meta and message.type != "sysex":
            messages.append((tick, bytes(message.bytes())))
    if len(messages) > MOST_MESSAGES:
        raise ScoreError(f"{path}: {len(messages)} messages; at most {MOST_MESSAGES} can be played")
    per_quarter = file.ticks_per_beat
    times = Score((), ticks_per_quarter=per_quarter, tempos=tempos)
    events = [ScoreEvent(times.position_at_quarter(t / per_quarter), m) for t, m in messages]
    return Score(
        events,
        ticks_per_quarter=per_quarter,
        tempos=tempos,
        signatures=signatures,
        end_s=times.position_at_quarter(last_tick / per_quarter),
    )
