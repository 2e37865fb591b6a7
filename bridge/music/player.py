"""One input: its messages, its sixteen channels, its pedals and controllers, its active sensing.

Two inputs share nothing here: a keyboard's sustain pedal does not hold a DAW's notes. Sources:
MIDI 1.0; RP-015 for CC 121; MPE 1.0 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from math import inf

from bridge.config import Music
from bridge.music import midi_bytes
from bridge.music.channel import Change, ChannelState, Curves
from bridge.music.events import BadMessage, EventLog
from bridge.music.keys import Keys
from bridge.music.mpe import MAX_MEMBERS, Zones
from bridge.music.routing import Dealer, Router
from bridge.music.voices import Hold

SENSING_TIMEOUT_S = 0.330
"""Active sensing: 300 ms and the 10 % that MIDI 1.0 tolerates."""
PEDAL_DOWN = 64


class Player:
    """Turns one input's messages into notes struck, moved and released."""

    __slots__ = (
        "_dealer",
        "_keys",
        "_log",
        "channels",
        "deadline_s",
        "ignored",
        "name",
        "zones",
    )

    def __init__(
        self,
        name: str,
        max_note_s: float,
        *,
        music: Music,
        curves: Curves,
        router: Router,
        dealer: Dealer,
        log: EventLog,
    ) -> None:
        self.name = name
        self._dealer = dealer
        self._log = log
        self.channels = [ChannelState(n, music, curves) for n in range(1, 17)]
        self.zones = Zones(self.channels)
        self._keys = Keys(
            name,
            max_note_s,
            music=music,
            curves=curves,
            zones=self.zones,
            router=router,
            dealer=dealer,
            log=log,
        )
        self.ignored = 0
        self.deadline_s = inf
        """When active sensing gives this input up, if nothing comes; infinite without it."""

    def holds_notes(self) -> bool:
        """Is any key down, or held by a pedal, that still sounds or may sound again?"""
        for channel in self.channels:
            for note in channel.notes.values():
                if note.drum is None and note.hold is not Hold.RELEASED:
                    return True
        return False

    def message(self, now_s: float, data: bytes) -> None:
        """Take one message; malformed and undefined ones are counted, reported, and do nothing."""
        if self.deadline_s < inf:
            self.deadline_s = now_s + SENSING_TIMEOUT_S
        if not midi_bytes.is_whole_message(data):
            self.ignored += 1
            self._log.add(BadMessage(now_s, self.name, bytes(data[:16])))
            return
        kind = data[0] >> 4
        if kind == midi_bytes.SYSTEM:
            self._system(data[0], now_s)
            return
        channel = self.channels[data[0] & 0x0F]
        first = data[1]
        if kind == midi_bytes.NOTE_ON and data[2] > 0:
            self._keys.note_on(channel, first, data[2], now_s)
        elif kind in (midi_bytes.NOTE_ON, midi_bytes.NOTE_OFF):
            self._keys.note_off(channel, first, now_s)
        elif kind == midi_bytes.PITCH_BEND:
            channel.bend = first | data[2] << 7
            self._shape_changed(channel, now_s)
        elif kind == midi_bytes.CONTROL_CHANGE:
            self._control(channel, first, data[2], now_s)
        elif kind == midi_bytes.CHANNEL_PRESSURE:
            channel.pressure = first
            self._shape_changed(channel, now_s)
        elif kind == midi_bytes.POLY_PRESSURE:
            if (note := channel.notes.get(first)) is not None:
                note.pressure = data[2] / 127
                note.event_s = now_s
                note.touch()
        else:
            channel.program = first  # for notes struck from now on

    # Controllers

    def _shape_changed(self, channel: ChannelState, now_s: float) -> None:
        channel.event_s = now_s
        self._derive(self.zones.zone_of(channel))

    def _derive(self, channels: Iterable[ChannelState]) -> None:
        for channel in channels:
            channel.derive()
            for note in channel.notes.values():
                for part in note.parts:
                    part.coil.dirty = True

    def _control(self, channel: ChannelState, controller: int, value: int, now_s: float) -> None:
        match controller:
            case 1:
                channel.modulation = value
                self._shape_changed(channel, now_s)
            case 7:
                channel.volume = value
                self._shape_changed(channel, now_s)
            case 11:
                channel.expression = value
                self._shape_changed(channel, now_s)
            case 64:
                channel.event_s = now_s
                self._sustain(channel, value >= PEDAL_DOWN, now_s)
            case 66:
                channel.event_s = now_s
                self._sostenuto(channel, value >= PEDAL_DOWN, now_s)
            case 6 | 38 | 96 | 97:
                channel.event_s = now_s
                self._data_entry(channel, controller, value, now_s)
            case 98 | 99 | 100 | 101:
                channel.event_s = now_s
                channel.select_parameter(controller, value)
            case 120:
                self._keys.sound_off(channel)
            case 121:
                self._reset_controllers(channel, now_s)
            case 123 | 124 | 125 | 126 | 127:
                self._keys.notes_off(channel, now_s)
                if controller >= 126:
                    for one in self.zones.zone_of(channel):
                        one.mono = controller == 126
            case _:
                channel.event_s = now_s  # a controller that means nothing here is still life

    def _data_entry(self, channel: ChannelState, controller: int, value: int, now_s: float) -> None:
        match channel.data_entry(controller, value):
            case Change.SHAPE:
                self._derive(self.zones.zone_of(channel))
            case Change.BEND_RANGE:
                siblings = self.zones.siblings(channel)
                for one in siblings:
                    one.bend_semitones = channel.bend_semitones
                    one.bend_cents = channel.bend_cents
                self._derive(siblings)
                self._derive(self.zones.zone_of(channel))
            case Change.TRANSPOSE:
                for one in self.zones.zone_of(channel):
                    for note in tuple(one.notes.values()):
                        if note.drum is None:
                            self._dealer.refit(note, now_s)
            case Change.ZONE:
                if channel.number in (1, 16) and value <= MAX_MEMBERS:
                    self._keys.let_go(self.zones.affected(channel, value), now_s)
                    self.zones.configure(channel, value)
            case Change.NOTHING:
                pass

    def _sustain(self, channel: ChannelState, down: bool, now_s: float) -> None:
        channel.sustain = down
        if not down:
            self._keys.drop_pedalled(channel, now_s)

    def _sostenuto(self, channel: ChannelState, down: bool, now_s: float) -> None:
        was_down, channel.sostenuto = channel.sostenuto, down
        if down and was_down:
            return  # holds what was down when it went down, no more
        for one in self.zones.zone_of(channel):
            for note in one.notes.values():
                note.sostenuto = down and note.key_down and note.drum is None
        if not down:
            self._keys.drop_pedalled(channel, now_s)

    def _reset_controllers(self, channel: ChannelState, now_s: float) -> None:
        zone = self.zones.zone_of(channel)
        for one in zone:
            one.reset_controllers()
            one.event_s = now_s
            for note in one.notes.values():
                note.sostenuto = False
                note.pressure = 0.0
                note.touch()
        self._keys.drop_pedalled(channel, now_s)
        self._derive(zone)  # again: members read their manager's controllers

    # Ends

    def lost(self, now_s: float) -> None:
        """The input went away: every note is released, hands and feet are off."""
        self.deadline_s = inf
        self._keys.let_go(self.channels, now_s)
        for channel in self.channels:
            channel.reset_controllers()
        for channel in self.channels:
            channel.derive()

    def pedals_up(self) -> None:
        """For hush: the notes are gone already; nothing may be held for later either."""
        for channel in self.channels:
            channel.sustain = False
            channel.sostenuto = False
            channel.stack.clear()

    def _system(self, status: int, now_s: float) -> None:
        if status == midi_bytes.ACTIVE_SENSING:
            self.deadline_s = now_s + SENSING_TIMEOUT_S
        elif status == midi_bytes.SYSTEM_RESET:
            self.lost(now_s)
            self.zones.clear()
            for channel in self.channels:
                channel.power_up()
