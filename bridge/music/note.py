"""One struck key: its envelope in time, why it still sounds, and its parts on the coils.

A note belongs to a channel of an input. On every coil that plays it, it has one `Part`; a part
that sounds belongs to a `Train` (see allocation.py). Times are the timeline's seconds.
"""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

from bridge.music.channel import ChannelState, Shape
from bridge.music.envelope import Envelope
from bridge.music.events import EventLog, NoteFaded
from bridge.music.percussion import Drum
from bridge.music.voices import Hold

if TYPE_CHECKING:
    from bridge.music.allocation import CoilVoices, Train
    from bridge.music.routing import ResolvedRoute

MAX_NOTE_FADE_S = 0.3
"""How long a note takes to go that has outlived its input's max_note_s."""
PRESSURE_REACH = 0.5
"""Full pressure brings a note half of the way from its velocity's energy to full energy."""


class Part:
    """A note's place on one coil."""

    __slots__ = (
        "base_hz",
        "coil",
        "coil_note",
        "ended",
        "energy",
        "note",
        "offset",
        "rate_hz",
        "train",
    )

    def __init__(self, note: Note, coil: CoilVoices, coil_note: int) -> None:
        self.note = note
        self.coil = coil
        self.coil_note = coil_note
        """The key as this coil plays it: transposed and folded."""
        self.offset = 0.0
        """The shape's offset for which `base_hz` was worked out."""
        self.base_hz = 0.0
        """Pitch before vibrato; 0 until first worked out."""
        self.rate_hz = 0.0
        self.energy = 0.0
        self.train: Train | None = None
        """None while silent."""
        self.ended = False
        """Over, and not to be placed again."""


class Note:
    """One sounding of one key."""

    __slots__ = (
        "_at_s",
        "_release_level",
        "_release_s",
        "channel",
        "drum",
        "ends_s",
        "envelope",
        "event_s",
        "fade_s",
        "hold",
        "input_name",
        "key",
        "key_down",
        "level",
        "max_note_s",
        "moving",
        "over",
        "parts",
        "pressure",
        "priority",
        "route",
        "shape",
        "sostenuto",
        "struck_s",
        "velocity_share",
        "wake_s",
    )

    def __init__(
        self,
        input_name: str,
        channel: ChannelState,
        key: int,
        velocity_share: float,
        now_s: float,
        *,
        route: ResolvedRoute,
        max_note_s: float,
        priority: bool,
        drum: Drum | None = None,
    ) -> None:
        self.input_name = input_name
        self.channel = channel
        self.key = key
        self.velocity_share = velocity_share
        self.struck_s = now_s
        self.event_s = now_s
        """The last event for this very note."""
        self.route = route
        self.max_note_s = max_note_s
        self.priority = priority
        self.drum = drum
        self.shape: Shape = channel.shape
        self.envelope: Envelope = channel.envelope
        self.pressure = 0.0
        """Pressure on this very key (poly pressure), 0..1."""
        self.parts: list[Part] = []
        self.key_down = True
        self.sostenuto = False
        """Latched by the sostenuto pedal."""
        self.hold = Hold.HELD
        self.fade_s: float | None = None
        self._release_s = inf
        self._release_level = 0.0
        length_s = self.envelope.ends_after_s if drum is None else drum.length_s
        self.ends_s = now_s + length_s
        self._at_s = -inf
        self.level = 0.0
        """Envelope, release and fade together, 0..1, as of the last `advance`."""
        self.over = False
        self.moving = False
        """Does the level or a drum's rate change by itself?"""
        self.wake_s = inf
        """The next moment at which something happens to the note by itself."""

    def energy(self) -> float:
        """Share of the coil's full-scale energy now, 0..1; 0 is silence."""
        share = self.velocity_share
        pressure = max(self.shape.pressure, self.pressure)
        if pressure > 0.0 and self.drum is None:
            share += (1.0 - share) * PRESSURE_REACH * pressure
        return min(1.0, share * self.shape.gain * self.level)

    def release(self, at_s: float) -> None:
        """Key and pedals are up: fade over the envelope's release. A drum ends by itself."""
        self.key_down = False
        self.sostenuto = False
        if self.drum is not None or self.hold is Hold.RELEASED:
            return
        self._release_level = self.envelope.level(at_s - self.struck_s)
        self._release_s = at_s
        self.hold = Hold.RELEASED
        self.ends_s = min(self.ends_s, at_s + self.envelope.release_s)
        self.touch()

    def touch(self) -> None:
        """Something but time changed: work everything out anew, even at a time already seen."""
        self._at_s = -inf
        for part in self.parts:
            part.coil.dirty = True

    def advance(self, now_s: float, log: EventLog) -> None:
        """Bring level, `over`, `moving` and `wake_s` to `now_s`; start the max_note_s fade."""
        if now_s == self._at_s:
            return
        self._at_s = now_s
        age_s = now_s - self.struck_s
        if (drum := self.drum) is not None:
            self.level = drum.share
            self.moving = drum.glides
            self.wake_s = self.ends_s
            self.over = now_s >= self.ends_s
            return
        wake_s = self.ends_s
        released = self.hold is Hold.RELEASED
        if not released and self.fade_s is None:
            last_s = max(self.event_s, self.channel.latest_event_s())
            limit_s = last_s + self.max_note_s
            if now_s >= limit_s:
                self.fade_s = limit_s
                self.ends_s = wake_s = min(self.ends_s, limit_s + MAX_NOTE_FADE_S)
                log.add(
                    NoteFaded(
                        limit_s, self.input_name, self.channel.number, self.key, self.max_note_s
                    )
                )
            elif limit_s < wake_s:
                wake_s = limit_s
        self.wake_s = wake_s
        self.over = now_s >= self.ends_s
        if released:
            since_s = now_s - self._release_s
            level = self._release_level * self.envelope.release_level(since_s)
            self.moving = True
        else:
            level = self.envelope.level(age_s)
            self.moving = age_s < self.envelope.settled_after_s
        if self.fade_s is not None:
            level *= max(0.0, 1.0 - (now_s - self.fade_s) / MAX_NOTE_FADE_S)
            self.moving = True
        self.level = level
