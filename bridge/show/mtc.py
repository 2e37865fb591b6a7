"""MIDI Time Code as received: quarter frames and full frames → where the sender is. Pure.

By the MIDI specification's MIDI Time Code chapter (from memory): a quarter frame is F1 0nnndddd,
eight of them (n = 0..7) spell the frame at which piece 0 was sent, and take two frames; running
backwards they come 7 to 0. A full frame is F0 7F id 01 01 hr mn sc fr F7: a place to stand at.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from bridge.clocks import HostS
from bridge.show.timecode import FrameRate, Timecode


class Heard(Enum):
    """What a message tells."""

    RUNS = auto()
    """The sender is at this position now, and runs."""
    STANDS = auto()
    """The sender was put at this position, and does not run."""
    STOPPED = auto()
    """The sender stands where it last was."""
    BACKWARDS = auto()
    """The sender runs backwards: nothing to play."""


@dataclass(frozen=True, slots=True)
class Observation:
    """At `host_s` the sender was at `position`: seconds (time code) or quarter notes (clock)."""

    host_s: HostS
    heard: Heard
    position: float


class MtcReader:
    """Takes every message of an input; those that are no time code do nothing."""

    def __init__(self) -> None:
        self.rate: FrameRate | None = None
        """As last spelt by the sender."""
        self._nibbles = [0] * 8
        self._last: int | None = None
        self._in_order = 0
        self._direction = 1
        self._base_count: int | None = None

    def feed(self, host_s: HostS, message: bytes) -> Observation | None:
        """One whole MIDI message that arrived at `host_s`."""
        if len(message) == 2 and message[0] == 0xF1:
            return self._quarter(host_s, message[1] >> 4 & 7, message[1] & 15)
        if len(message) == 10 and message[:2] == b"\xf0\x7f" and message[3:5] == b"\x01\x01":
            self._forget()
            found = _timecode(message[5], message[6], message[7], message[8])
            if found is None:
                return None
            self.rate = found.rate
            return Observation(host_s, Heard.STANDS, found.position_s)
        return None

    def _forget(self) -> None:
        self._last, self._in_order, self._base_count = None, 0, None

    def _quarter(self, host_s: HostS, piece: int, nibble: int) -> Observation | None:
        last, self._last = self._last, piece
        if last is not None and piece == (last - 1) % 8:
            first_back = self._direction > 0
            self._direction, self._base_count = -1, None
            self._in_order = 1 if first_back else self._in_order + 1
            # One piece out of order is a slip; two steps back are a sender that runs backwards.
            return Observation(host_s, Heard.BACKWARDS, 0.0) if self._in_order >= 2 else None
        if last is None or piece != (last + 1) % 8 or self._direction < 0:
            self._in_order, self._direction, self._base_count = 0, 1, None
        self._nibbles[piece] = nibble
        self._in_order += 1
        if piece == 7 and self._in_order >= 8:
            n = self._nibbles
            found = _timecode(
                n[6] | n[7] << 4, n[4] | n[5] << 4, n[2] | n[3] << 4, n[0] | n[1] << 4
            )
            self._base_count = None if found is None else found.count
            self.rate = self.rate if found is None else found.rate
        if self._base_count is None or self.rate is None:
            return None
        # Piece 0 of the next eight comes two frames after the one that was spelt.
        quarters = piece if piece == 7 else piece + 8
        position = (self._base_count + quarters / 4) / float(self.rate.frames_per_s)
        return Observation(host_s, Heard.RUNS, position)


def _timecode(hour_byte: int, minutes: int, seconds: int, frames: int) -> Timecode | None:
    """From the bytes of a full frame; None for a time that does not exist."""
    rate = FrameRate.of_bits(hour_byte >> 5 & 3)
    try:
        return Timecode(hour_byte & 31, minutes & 63, seconds & 63, frames & 31, rate)
    except ValueError:
        return None


class ClockReader:
    """MIDI clock (24 a quarter note), start, continue, stop and song position pointer.

    The first clock after start or continue is the moment at which the position is reached
    (MIDI specification, system real time; from memory). A song position is in sixteenths.
    """

    def __init__(self) -> None:
        self._clocks = 0
        self._runs = False

    def feed(self, host_s: HostS, message: bytes) -> Observation | None:
        """One whole MIDI message that arrived at `host_s`; positions are quarter notes."""
        match message[0]:
            case 0xF8 if self._runs:
                position = self._clocks / 24
                self._clocks += 1
                return Observation(host_s, Heard.RUNS, position)
            case 0xFA:
                self._clocks, self._runs = 0, True
                return Observation(host_s, Heard.STANDS, 0.0)
            case 0xFB:
                self._runs = True
                return Observation(host_s, Heard.STANDS, self._clocks / 24)
            case 0xFC:
                # The clock that is counted next is the one at which it goes on.
                self._runs = False
                return Observation(host_s, Heard.STOPPED, self._clocks / 24)
            case 0xF2 if len(message) == 3:
                self._clocks = 6 * (message[1] | message[2] << 7)
                return Observation(host_s, Heard.STANDS, self._clocks / 24)
            case _:
                return None
