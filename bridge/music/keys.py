"""Keys of one input: struck, slurred, released, held by pedals, ended. Poly, mono and percussion.

A channel has at most one note a key: a key struck again while it sounds, fading included, is
struck anew in its own place, and one note-off ends it.
"""

from __future__ import annotations

from collections.abc import Iterable

from bridge.config import Music
from bridge.music.channel import ChannelState, Curves
from bridge.music.events import Dropped, EventLog, NoteDropped
from bridge.music.mpe import Zones
from bridge.music.note import Note
from bridge.music.percussion import DRUMS, Drum
from bridge.music.routing import Dealer, Router
from bridge.music.voices import Hold


class Keys:
    """Strikes and releases notes on the channels of one input."""

    __slots__ = (
        "_curves",
        "_dealer",
        "_log",
        "_max_note_s",
        "_name",
        "_percussion_channel",
        "_priority_channel",
        "_router",
        "_zones",
    )

    def __init__(
        self,
        name: str,
        max_note_s: float,
        *,
        music: Music,
        curves: Curves,
        zones: Zones,
        router: Router,
        dealer: Dealer,
        log: EventLog,
    ) -> None:
        self._name = name
        self._max_note_s = max_note_s
        self._percussion_channel = music.percussion_channel
        self._priority_channel = music.priority_channel
        self._curves = curves
        self._zones = zones
        self._router = router
        self._dealer = dealer
        self._log = log

    def note_on(self, channel: ChannelState, key: int, velocity: int, now_s: float) -> None:
        route = self._router.find(channel.number, key)
        if route is None:
            self._drop(channel, key, Dropped.NO_ROUTE, now_s)
            return
        drum: Drum | None = None
        old = channel.notes.get(key)
        if channel.number == self._percussion_channel and not self._zones.in_zone(channel):
            drum = DRUMS.get(key)
            if drum is None:
                self._drop(channel, key, Dropped.NO_DRUM, now_s)
                return
            _choke(channel, key, drum)
        elif channel.mono:
            channel.stack = [held for held in channel.stack if held[0] != key]
            channel.stack.append((key, velocity))
            current = next(iter(channel.notes.values()), None)
            if (
                current is not None
                and current.key_down
                and current.key != key
                and current.route is route
            ):
                self._slur(channel, current, key, velocity, now_s)
                return
            old = current
            for other in tuple(channel.notes.values()):
                if other is not old:
                    _end(other)  # one voice: pedalled notes from before mono mode go
        note = Note(
            self._name,
            channel,
            key,
            self._curves.velocity[velocity],
            now_s,
            route=route,
            max_note_s=self._max_note_s,
            priority=channel.number == self._priority_channel,
            drum=drum,
        )
        if old is not None:
            del channel.notes[old.key]
        channel.notes[key] = note
        self._dealer.strike(note, old, now_s)
        if not note.parts:
            channel.forget(note)

    def _slur(
        self, channel: ChannelState, note: Note, key: int, velocity: int, now_s: float
    ) -> None:
        """Mono legato: the sounding voice moves to another key and keeps its identity."""
        del channel.notes[note.key]
        note.key = key
        note.velocity_share = self._curves.velocity[velocity]
        note.event_s = now_s
        channel.notes[key] = note
        note.touch()
        self._dealer.refit(note, now_s)

    def note_off(self, channel: ChannelState, key: int, now_s: float) -> None:
        note = channel.notes.get(key)
        if channel.mono:
            channel.stack = [held for held in channel.stack if held[0] != key]
            if note is not None and note.key_down and note.drum is None and channel.stack:
                below, velocity = channel.stack[-1]
                if self._router.find(channel.number, below) is note.route:
                    self._slur(channel, note, below, velocity, now_s)
                else:
                    self.note_on(channel, below, velocity, now_s)
                return
        if note is not None and note.key_down:
            _key_up(channel, note, now_s)

    def _drop(self, channel: ChannelState, key: int, reason: Dropped, now_s: float) -> None:
        self._log.add(NoteDropped(now_s, self._name, channel.number, key, None, reason))

    def drop_pedalled(self, channel: ChannelState, now_s: float) -> None:
        """Release what no pedal holds any longer."""
        for one in self._zones.zone_of(channel):
            if one.sustained:
                continue
            for note in one.notes.values():
                if note.hold is Hold.PEDALLED and not note.sostenuto:
                    note.release(now_s)

    def notes_off(self, channel: ChannelState, now_s: float) -> None:
        """As if every key went up; pedals go on holding."""
        for one in self._zones.zone_of(channel):
            one.stack.clear()
            for note in one.notes.values():
                if note.key_down:
                    _key_up(one, note, now_s)

    def sound_off(self, channel: ChannelState) -> None:
        for one in self._zones.zone_of(channel):
            one.stack.clear()
            for note in tuple(one.notes.values()):
                _end(note)

    def let_go(self, channels: Iterable[ChannelState], now_s: float) -> None:
        """Release everything, pedals or not; the fading notes keep pitch and loudness."""
        for channel in channels:
            channel.freeze_notes()
            channel.stack.clear()
            for note in channel.notes.values():
                note.release(now_s)


def _key_up(channel: ChannelState, note: Note, now_s: float) -> None:
    note.key_down = False
    if note.drum is not None:
        return
    if channel.sustained or note.sostenuto:
        note.hold = Hold.PEDALLED
        note.touch()
    else:
        note.release(now_s)


def _choke(channel: ChannelState, key: int, drum: Drum) -> None:
    """End the other drums of the same choke group at once."""
    if drum.choke:
        for other in tuple(channel.notes.values()):
            if other.key != key and other.drum is not None and other.drum.choke == drum.choke:
                _end(other)


def _end(note: Note) -> None:
    for part in tuple(note.parts):
        part.coil.end(part)
