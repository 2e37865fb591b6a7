"""Line breaks: which one is under way, what it spoils, and whether this line carries any. Sans I/O.

Many adapters fake or ignore a break. So one is tried on a locked board, whose status counts it.
"""

from __future__ import annotations

import math

from bridge.clocks import HostS
from firmware_protocol.messages import Status

BREAK_S = 0.004
PROBE_ANSWER_S = 0.4
"""A status that counts the break tried on a locked board must come within this."""


class Breaks:
    """Of one line, from link to link."""

    def __init__(self) -> None:
        self.can_break: bool | None = None
        """None until it was tried."""
        self.pending = False
        """A break was asked of the transport and is not over."""
        self.probe_wanted = False
        self._spoiled = False
        self._probe_until = HostS(math.inf)
        self._count_before: int | None = None
        """The board's count of breaks when the trial was sent."""

    def forget(self) -> None:
        """The board is gone, or another one."""
        self.can_break = None
        self.pending = False
        self._count_before = None
        self._probe_until = HostS(math.inf)

    def probe(self, status: Status) -> None:
        """The break that goes out now is the trial; `status` is the newest before it."""
        self.probe_wanted = False
        self._count_before = status.breaks

    def begun(self) -> None:
        """A break goes out behind the bytes collected just now."""
        self._spoiled = self.pending = True

    def done(self, now_s: HostS) -> None:
        """The break is over, or could not be sent."""
        self.pending = False
        if self._count_before is not None and self._probe_until == math.inf:
            self._probe_until = HostS(now_s + PROBE_ANSWER_S)

    def take_spoiled(self) -> bool:
        """A break spoils the frame it falls in, and that frame ends with the next 0x00: must one go
        before the first frame after it? Asked once for each break."""
        spoiled, self._spoiled = self._spoiled, False
        return spoiled

    def take_status(self, status: Status) -> None:
        if self._count_before is not None and (status.breaks - self._count_before) & 0xFFFF:
            self.can_break, self._count_before = True, None

    def advance(self, now_s: HostS) -> None:
        if now_s >= self._probe_until:
            self._probe_until = HostS(math.inf)
            if self._count_before is not None:
                self.can_break, self._count_before = False, None

    def next_deadline_s(self) -> HostS:
        return self._probe_until
