"""A stop on its way to one controller: said before all else, again and again until confirmed."""

from __future__ import annotations

import math

from bridge.clocks import HostS
from firmware_protocol.catalogue import StopSource
from firmware_protocol.messages import Stop

from .outbox import Outbox

STOP_REPEAT_S = 0.007


class Stopping:
    """Outlives the link: a stop that was not confirmed is said again once the port is back."""

    def __init__(self, outbox: Outbox) -> None:
        self._outbox = outbox
        self._source: StopSource | None = None
        self._due_s = HostS(math.inf)
        self._break_wanted = False
        self.discard_wanted = False
        """What is unsent must be thrown away first."""

    @property
    def active(self) -> bool:
        """No status has confirmed the stop yet."""
        return self._source is not None

    def begin(self, now_s: HostS, source: StopSource) -> bool:
        """False: said already and being repeated, now with this source. A flood of stops must not
        throw its own frames away."""
        if self._source is not None:
            self._source = source
            return False
        self._outbox.clear()
        self.discard_wanted = True
        self._source, self._due_s = source, now_s
        self._break_wanted = True
        return True

    def link_up(self, now_s: HostS) -> None:
        if self._source is not None:
            self._due_s = now_s

    def confirmed(self) -> bool:
        """A status says tripped. True: that answers a stop."""
        active = self.active
        self._source, self._due_s = None, HostS(math.inf)
        return active

    def due(self, now_s: HostS) -> bool:
        return now_s >= self._due_s

    def say(self, now_s: HostS) -> bool:
        """Puts the stop before all else. True: a break must follow, behind the first one only."""
        assert self._source is not None
        # A frame left half sent ends with the 0x00, and so does not swallow the stop.
        self._outbox.put_first(b"\x00" + self._outbox.frame(Stop(int(self._source))))
        self._due_s = HostS(now_s + STOP_REPEAT_S)
        line_break, self._break_wanted = self._break_wanted, False
        return line_break

    def put_off(self, now_s: HostS) -> None:
        """The one said last has not left yet."""
        if now_s >= self._due_s:
            self._due_s = HostS(now_s + STOP_REPEAT_S)

    def take_discard(self) -> bool:
        discard, self.discard_wanted = self.discard_wanted, False
        return discard

    def next_deadline_s(self) -> HostS:
        return self._due_s
