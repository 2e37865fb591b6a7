"""What the instrument reports to journal and panel: frozen values, and the log they wait in.

Events never change the music; they say what became of a note and why.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

MAX_WAITING_EVENTS = 512
"""Later events are counted, not kept, until the log is taken."""


class Dropped(Enum):
    """Why a note does not sound; the value ends the sentence "note 60 on channel 1 ..."."""

    NO_ROUTE = "has no route to any coil"
    OUTSIDE = "lies outside the coil's range and was dropped"
    OUTSIDE_ERROR = "lies outside the coil's range, which this route calls an error"
    CANNOT_FOLD = "cannot be folded: the coil's range holds no octave of it"
    NO_DRUM = "has no percussion sound"
    CHORD_FULL = "found the coil full of notes of its own chord"


@dataclass(frozen=True, slots=True)
class MusicEvent:
    """Something the operator may want to know. `at_s` is on the timeline."""

    at_s: float
    input_name: str


@dataclass(frozen=True, slots=True)
class NoteFaded(MusicEvent):
    """A held note reached max_note_s without a new event, and fades out."""

    channel: int
    note: int
    after_s: float

    def __str__(self) -> str:
        return (
            f"note {self.note} on channel {self.channel} of {self.input_name} was held for "
            f"{self.after_s:g} s without a new event and fades out"
        )


@dataclass(frozen=True, slots=True)
class NoteDropped(MusicEvent):
    """A note that will not sound (on `coil`, or at all where coil is None)."""

    channel: int
    note: int
    coil: str | None
    reason: Dropped

    @property
    def error(self) -> bool:
        """True where the configuration calls it an error, not a choice."""
        return self.reason in (Dropped.OUTSIDE_ERROR, Dropped.CANNOT_FOLD)

    def __str__(self) -> str:
        on = f" (coil {self.coil})" if self.coil is not None else ""
        return (
            f"note {self.note} on channel {self.channel} of {self.input_name}{on} "
            f"{self.reason.value}"
        )


@dataclass(frozen=True, slots=True)
class VoiceStolen(MusicEvent):
    """A sounding note gave its place on a coil to another; it does not come back."""

    coil: str
    channel: int
    note: int
    for_channel: int
    for_note: int

    def __str__(self) -> str:
        return (
            f"coil {self.coil}: note {self.note} on channel {self.channel} of {self.input_name} "
            f"gave way to note {self.for_note} on channel {self.for_channel}"
        )


@dataclass(frozen=True, slots=True)
class SensingLost(MusicEvent):
    """An input that used active sensing fell silent; its notes were released."""

    silent_s: float

    def __str__(self) -> str:
        return (
            f"{self.input_name} sent nothing for {self.silent_s:.2f} s after active sensing: "
            "its notes were released"
        )


@dataclass(frozen=True, slots=True)
class BadMessage(MusicEvent):
    """Bytes that are no MIDI message; ignored. At most the first 16 are kept."""

    data: bytes

    def __str__(self) -> str:
        return f"{self.input_name} sent bytes that are no MIDI message: {self.data.hex(' ')}"


class EventLog:
    """Events waiting to be taken. Holds MAX_WAITING_EVENTS, counts in `lost` what came after."""

    __slots__ = ("_waiting", "lost")

    def __init__(self) -> None:
        self._waiting: list[MusicEvent] = []
        self.lost = 0

    def add(self, event: MusicEvent) -> None:
        if len(self._waiting) < MAX_WAITING_EVENTS:
            self._waiting.append(event)
        else:
            self.lost += 1

    def take(self) -> list[MusicEvent]:
        """Everything waiting, oldest first; the log is empty afterwards."""
        taken = self._waiting
        self._waiting = []
        return taken
