"""Whose frame goes next on one controller's line. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bridge.clocks import HostS, MusicS
from bridge.coil_line import CoilLine
from bridge.link.session import Session


class Turns:
    """The coils of one controller, a frame for each in turn: a flood on one starves no other."""

    def __init__(self, session: Session, lines: Sequence[CoilLine]) -> None:
        self.room_at_s = HostS(math.inf)
        """When the line has room for a frame, as last looked; infinite before that."""
        self._session = session
        self._lines = lines
        self._next = 0

    def due_s(self) -> HostS:
        """When something is due to be said and, as last looked, has room; infinite without a
        session."""
        if self._session.session_number is None or not self._lines:
            return HostS(math.inf)
        due_s = min(line.due_s() for line in self._lines)
        return max(due_s, self.room_at_s)

    def has_room(self, now_s: HostS, reported_unsent: int) -> bool:
        self.room_at_s = self._session.outbox.room_at(now_s, reported_unsent)
        return self.room_at_s <= now_s

    def frames(self, now_s: HostS, reported_unsent: int, *, scheduled_s: MusicS | None) -> bytes:
        """What is due, as far as there is room.

        `scheduled_s`: the timeline's present where frames carry a time; None: on arrival.
        """
        lines, data = self._lines, b""
        index, idle = self._next, 0
        while idle < len(lines):
            line = lines[index]
            frame = None
            if line.due_s() <= now_s:
                if not self.has_room(now_s, reported_unsent + len(data)):
                    break
                frame = line.frame(now_s, scheduled_s=scheduled_s)
            index = (index + 1) % len(lines)
            if frame is None:
                idle += 1
                continue
            idle = 0
            self._session.outbox.wrote(now_s, len(frame))
            data += frame
        self._next = index
        return data
