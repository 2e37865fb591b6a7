"""The voices of one coil: which notes share a train, who yields when the coil is full.

A coil plays at most `max_voices` trains. Notes of equal pitch are one train, their energies
summed and capped; it keeps its voice id while any of them sounds, and a re-strike renews it. When
pitches part, so do the trains. A note without energy keeps its part here but has no train.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import floor, inf, sin, tau
from typing import Final

from bridge.config import Coil, Music, Outside
from bridge.music.events import Dropped, EventLog, NoteDropped, VoiceStolen
from bridge.music.note import Note, Part
from bridge.music.phase import interleaving_phase
from bridge.music.stealing import Thief
from bridge.music.train import Train, in_unison
from bridge.music.tuning import hz_to_note, note_to_hz
from bridge.music.voices import VoiceAsk

MAX_RATE_HZ: Final = 2000.0
"""No train is asked for faster than this, whatever notes and bends say."""
BEND_MARGIN_SEMITONES: Final = 2.0
"""Bends may carry a pitch this far beyond the coil's range; there it stays."""
MAX_PARTS: Final = 48
"""Notes on one coil, silent and unison ones included; beyond it the oldest goes."""


class CoilVoices:
    """Everything that sounds on one coil."""

    __slots__ = (
        "_a4_hz",
        "_asks",
        "_at_s",
        "_ids",
        "_log",
        "_thief",
        "_vibrato_hz",
        "bottom",
        "dirty",
        "highest",
        "lowest",
        "max_voices",
        "moving",
        "name",
        "outside",
        "parts",
        "top",
        "trains",
        "wake_s",
    )

    def __init__(self, coil: Coil, music: Music, ids: Iterator[int], log: EventLog) -> None:
        self.name = coil.name
        self.max_voices = coil.max_voices
        self._a4_hz = music.a4_hz
        self._vibrato_hz = music.vibrato_rate_hz
        self._thief = Thief(music.stealing)
        self._ids = ids
        self._log = log
        fastest_note = hz_to_note(MAX_RATE_HZ, music.a4_hz)
        self.lowest = coil.notes.lowest
        self.highest = min(coil.notes.highest, floor(fastest_note))
        self.outside: Outside = coil.notes.outside
        self.bottom = self.lowest - BEND_MARGIN_SEMITONES
        self.top = min(self.highest + BEND_MARGIN_SEMITONES, fastest_note)
        self.parts: list[Part] = []
        """Oldest first."""
        self.trains: list[Train] = []
        self.dirty = False
        """Something other than time changed since the last refresh."""
        self.moving = False
        self.wake_s = inf
        self._at_s = -inf
        self._asks: tuple[VoiceAsk, ...] = ()

    def nearest_note(self, rate_hz: float) -> int:
        return max(0, min(127, round(hz_to_note(rate_hz, self._a4_hz))))

    # What changes the voices

    def strike(self, note: Note, coil_note: int, replaced: Part | None, now_s: float) -> None:
        """A new part for `note`, in the place of `replaced` if given, else found or stolen.

        If the coil has no place for it, the note has no part here afterwards (and an event says
        so). A part replaced keeps its train, which starts anew under a new id.
        """
        self.catch_up(now_s)
        part = Part(note, self, coil_note)
        note.parts.append(part)
        if replaced is not None and not replaced.ended:
            train = replaced.train
            if train is not None and (len(train.parts) == 1 or replaced.coil_note == coil_note):
                train.parts[train.parts.index(replaced)] = part
                part.train = train
                replaced.train = None
                train.restart(next(self._ids), now_s)
            self.end(replaced)
        elif len(self.parts) >= MAX_PARTS:
            self._steal(self.parts[0], part, now_s)
        self.parts.append(part)
        self.dirty = True
        self.refresh(now_s)

    def end(self, part: Part) -> None:
        """The part is over at once, without a tail. Does nothing if it is over already."""
        if part.ended:
            return
        part.ended = True
        self.dirty = True
        self.parts.remove(part)
        if (train := part.train) is not None:
            part.train = None
            train.parts.remove(part)
            if not train.parts:
                self.trains.remove(train)
        note = part.note
        note.parts.remove(part)
        if not note.parts:
            note.channel.forget(note)

    def _steal(self, part: Part, newcomer: Part, now_s: float) -> None:
        note, new = part.note, newcomer.note
        self._log.add(
            VoiceStolen(
                now_s,
                note.input_name,
                self.name,
                note.channel.number,
                note.key,
                new.channel.number,
                new.key,
            )
        )
        self.end(part)

    # Time and pitch

    def catch_up(self, now_s: float) -> None:
        """Refresh if anything may have changed since the last time."""
        if self.dirty or now_s >= self.wake_s or (self.moving and now_s != self._at_s):
            self.refresh(now_s)

    def refresh(self, now_s: float) -> None:
        """Bring every part, train and ask to `now_s`."""
        exact = self.dirty or now_s == self._at_s or now_s >= self.wake_s
        self._at_s = now_s
        self.dirty = True  # until done: what ends on the way must not be believed settled
        wake_s = inf
        moving = False
        for part in tuple(self.parts):
            note = part.note
            note.advance(now_s, self._log)
            if note.over:
                self.end(part)
                exact = True
                continue
            wake_s = min(wake_s, note.wake_s)
            part.energy = note.energy()
            if part.energy > 0.0:
                self._tune(part, now_s)
                moving = moving or note.moving or note.shape.vibrato_cents > 0.0
            elif note.drum is not None:
                self.end(part)
                exact = True
        self.wake_s = wake_s
        self.moving = moving
        self._group(now_s)
        self._asks = tuple([train.ask(exact) for train in self.trains])
        self.dirty = False

    def _tune(self, part: Part, now_s: float) -> None:
        """Bring the part's pitch to `now_s`."""
        note = part.note
        if note.drum is not None:
            part.rate_hz = part.base_hz = note.drum.rate_hz(now_s - note.struck_s)
            return
        shape = note.shape
        if part.offset != shape.offset_semitones or part.base_hz == 0.0:
            part.offset = shape.offset_semitones
            pitch = max(self.bottom, min(self.top, part.coil_note + part.offset))
            part.base_hz = min(MAX_RATE_HZ, note_to_hz(pitch, self._a4_hz))
        if shape.vibrato_cents > 0.0:
            # One phase for all, so that unisons stay unisons, on one coil and over several.
            swing = sin(tau * (now_s * self._vibrato_hz % 1.0))
            rate_hz = part.base_hz * 2.0 ** (shape.vibrato_cents * swing / 1200.0)
            part.rate_hz = min(MAX_RATE_HZ, rate_hz)
        else:
            part.rate_hz = part.base_hz

    # Trains

    def _group(self, now_s: float) -> None:
        """Part what has parted, join what has met, place what has none."""
        for train in tuple(self.trains):
            if train.release_strays():
                self.trains.remove(train)
        if len(self.trains) > 1:
            self._merge()
        for part in tuple(self.parts):
            if part.train is None and part.energy > 0.0 and not part.ended:
                self._place(part, now_s)
        for train in self.trains:
            if train.fresh:
                train.fresh = False
                self._set_phase(train)

    def _set_phase(self, train: Train) -> None:
        """Give a train that starts now its phase against those that started with it."""
        leader = train.parts[0]
        train.phase = 0.0
        if leader.note.drum is None and len(self.trains) > 1:
            others = [
                (other.parts[0].rate_hz, other.started_s, other.phase)
                for other in self.trains
                if other is not train and not other.fresh and other.parts[0].note.drum is None
            ]
            train.phase = interleaving_phase(leader.rate_hz, train.started_s, others)

    def _merge(self) -> None:
        """Trains that met in pitch become one: the one that started first."""
        kept: list[Train] = []
        for train in self.trains:
            for other in kept:
                if in_unison(other.parts[0], train.parts[0]):
                    other.take_in(train)
                    break
            else:
                kept.append(train)
        if len(kept) < len(self.trains):
            self.trains = kept

    def _place(self, part: Part, now_s: float) -> None:
        """Join a train of the same pitch, else start one, stealing a place if need be."""
        for train in self.trains:
            if in_unison(train.parts[0], part):
                train.parts.append(part)
                part.train = train
                return
        if len(self.trains) >= self.max_voices:
            victim = self._thief.choose(self.trains, part, now_s)
            if victim is None:
                self._refuse(part, now_s)
                return
            for loser in tuple(victim.parts):
                self._steal(loser, part, now_s)
        self.trains.append(Train(next(self._ids), part, now_s))

    def _refuse(self, part: Part, now_s: float) -> None:
        note = part.note
        self._log.add(
            NoteDropped(
                now_s,
                note.input_name,
                note.channel.number,
                note.key,
                self.name,
                Dropped.CHORD_FULL,
            )
        )
        self.end(part)

    def asks(self, now_s: float) -> tuple[VoiceAsk, ...]:
        """What should sound at `now_s`, at most `max_voices`."""
        self.catch_up(now_s)
        return self._asks

    def clear(self) -> None:
        """Silence at once; forgets every part."""
        for part in tuple(self.parts):
            self.end(part)
        self.moving = False
        self.wake_s = inf
        self._asks = ()
        self.dirty = False
