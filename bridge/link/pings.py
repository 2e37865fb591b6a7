"""Pings to one controller, and what its pongs tell: its clock, and how old its words are. Sans I/O.

A ping may also ask for a nonce, which arming and reset need.
"""

from __future__ import annotations

import math

from bridge.clocks import HostS, Tick
from firmware_protocol import messages as m

from .clock import Clock
from .outbox import Outbox
from .status_age import StatusAge

PING_S = 0.211
PING_FAST_S = 0.023
"""Until the clock is in step."""
MOST_UNANSWERED = 16
_PONG_BYTES = 24
"""A pong on the wire."""


class Pings:
    """Clock and status age live as long as one boot of the board: `begin` to `forget`."""

    def __init__(self, outbox: Outbox) -> None:
        self.clock = Clock()
        self.status_age = StatusAge()
        self.due_s = HostS(math.inf)
        """When the next ping for the clock is due."""
        self._outbox = outbox
        self._count = 0
        self._unanswered: dict[int, tuple[HostS, float]] = {}
        """By number: when it was asked for, and how long until its last bit was on the wire."""

    def begin(self, now_s: HostS, tick_hz: int) -> None:
        """The board said who it is."""
        self.clock = Clock(float(tick_hz))
        self.status_age = StatusAge(float(tick_hz))
        self.due_s = now_s

    def forget(self) -> None:
        """The board is gone, or is another boot now: nothing that was known of its clock holds."""
        self.clock = Clock()
        self.status_age = StatusAge()
        self._unanswered.clear()

    def pause(self) -> None:
        """The link is down."""
        self.due_s = HostS(math.inf)

    def advance(self, now_s: HostS) -> None:
        if now_s >= self.due_s:
            self._ping(now_s, 0)
            fast = bool(self.clock.problem())
            self.due_s = HostS(now_s + (PING_FAST_S if fast else PING_S))

    def ask_nonce(self, now_s: HostS) -> None:
        self._ping(now_s, m.PING_WANTS_NONCE)

    def take(self, now_s: HostS, pong: m.Pong) -> bool:
        """Learns from a pong. False: it answers no ping that still counts."""
        sent = self._unanswered.pop(pong.echo, None)
        if sent is None:
            return False
        sent_s, wire_out_s = sent
        self.status_age.pong(sent_s, now_s, Tick(pong.received_at))
        self.clock.add(
            sent_s,
            now_s,
            received_at=Tick(pong.received_at),
            sent_at=Tick(pong.sent_at),
            wire_out_s=wire_out_s,
            wire_back_s=_PONG_BYTES * 10 / self._outbox.baud,
        )
        return True

    def _ping(self, now_s: HostS, flags: int) -> None:
        self._count = (self._count + 1) & 0xFFFF_FFFF
        while len(self._unanswered) >= MOST_UNANSWERED:
            del self._unanswered[next(iter(self._unanswered))]
        frame = self._outbox.frame(m.Ping(self._count, flags))
        wire_out_s = self._outbox.wait_s(now_s) + len(frame) * 10 / self._outbox.baud
        self._unanswered[self._count] = (now_s, wire_out_s)
        self._outbox.put(frame)
