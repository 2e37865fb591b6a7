"""What waits to go to one controller, and what the line still has to send. Sans I/O."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.clocks import HostS
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import HostMessage

PACE_SHARE = 0.93
"""Share of the line that a flood may fill: what waits somewhere out of sight (an adapter, a late
reader) must be able to drain, or it would stay for as long as the flood."""
MOST_URGENT = 32
"""Frames kept for a line that does not drain; all of them are said again when not answered."""
AHEAD_BYTES = 16
"""Unsent bytes at which the next frame is written, so that a late timer leaves no gap: 0.3 ms."""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """What the transport must do now, in this order."""

    discard: bool
    """Throw away what the operating system has not sent yet."""
    data: bytes
    line_break: bool
    """Then hold the line low for `BREAK_S`."""


class Outbox:
    """Numbers the frames, keeps those that must go before any voices, and reckons the line's time.

    A byte takes ten bits of the line (8N1).
    """

    def __init__(self, baud: int) -> None:
        self.baud = baud
        self._pace_baud = PACE_SHARE * baud
        self._sequence = 0
        self._line_free_at = HostS(0.0)
        self._urgent: list[bytes] = []

    def frame(self, message: HostMessage) -> bytes:
        """The message as the next frame in sequence."""
        self._sequence = (self._sequence + 1) & 0xFF
        return encode_frame(message.TYPE, self._sequence, message.payload())

    # -- what must go first -------------------------------------------------------------------

    @property
    def waiting(self) -> int:
        """Frames that wait."""
        return len(self._urgent)

    def put(self, frame: bytes) -> None:
        """The frame goes with the next `collect`, behind those already waiting."""
        self._urgent.append(frame)

    def queue(self, message: HostMessage) -> None:
        self.put(self.frame(message))

    def put_first(self, data: bytes) -> None:
        self._urgent.insert(0, data)

    def clear(self) -> None:
        self._urgent.clear()

    def keep_newest(self) -> None:
        """The line does not drain: no more than `MOST_URGENT` wait for it."""
        del self._urgent[:-MOST_URGENT]

    def take(self, now_s: HostS) -> bytes:
        """All that waits, to be written now."""
        data = b"".join(self._urgent)
        self._urgent.clear()
        self.wrote(now_s, len(data))
        return data

    # -- the line's time ----------------------------------------------------------------------

    def line_free(self, now_s: HostS) -> None:
        """Nothing is unsent: the line was opened, or what was left was thrown away."""
        self._line_free_at = now_s

    def wrote(self, now_s: HostS, count: int) -> None:
        """Notes `count` bytes handed to the line, which sends them at the baud rate."""
        free_at = max(self._line_free_at, now_s) + count * 10 / self._pace_baud
        self._line_free_at = HostS(free_at)

    def wait_s(self, now_s: HostS) -> float:
        """How long a frame put now waits until its first bit is on the line."""
        waiting_bytes = sum(map(len, self._urgent))
        return waiting_bytes * 10 / self.baud + max(0.0, self._line_free_at - now_s)

    def unsent_bytes(self, now_s: HostS, reported: int) -> float:
        """Bytes still to be sent: the line's own time, or what the system reports if more."""
        return max((self._line_free_at - now_s) * self._pace_baud / 10, float(reported), 0.0)

    def room_at(self, now_s: HostS, reported: int) -> HostS:
        """When a voices frame may be written: `now_s` where it may be at once.

        That is when the line is all but free: what is not written yet can still become newer. So
        there is never more unsent than one frame and `AHEAD_BYTES`, less than one refresh of two
        outputs; the frames of a chord on several outputs may go in one after the other.
        """
        excess = self.unsent_bytes(now_s, reported) - AHEAD_BYTES
        return now_s if excess <= 0 else HostS(now_s + excess * 10 / self._pace_baud)
