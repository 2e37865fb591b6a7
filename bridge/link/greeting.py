"""Hello to a board until it says who it is, now and then again, and its limits. Sans I/O."""

from __future__ import annotations

import math
from enum import Enum

from bridge.clocks import HostS
from firmware_protocol.messages import Hello, Identity

from .outbox import Outbox
from .setup import Setup

HELLO_RETRY_S = 0.31
HELLO_AGAIN_S = 2.03


class Phase(Enum):
    DOWN = "down"
    GREETING = "greeting"
    READY = "ready"


class Greeting:
    """How far host and board have come with each other, since the port was opened."""

    def __init__(self, outbox: Outbox, setup: Setup) -> None:
        self.phase = Phase.DOWN
        self.link_problem = "not opened yet"
        self._outbox = outbox
        self._setup = setup
        self._hello_due_s = HostS(math.inf)
        self._limits_due_s = HostS(math.inf)

    def link_up(self, now_s: HostS) -> None:
        """The port is open. The board may be booting: hello until identity comes."""
        self.phase = Phase.GREETING
        self.link_problem = ""
        self._hello_due_s = now_s

    def link_down(self, problem: str) -> None:
        self.phase = Phase.DOWN
        self.link_problem = problem
        self._hello_due_s = self._limits_due_s = HostS(math.inf)

    def is_restart(self, identity: Identity) -> bool:
        """Another boot than the one known before?"""
        known = self._setup.identity
        return known is not None and identity.boot_id != known.boot_id

    def take_identity(self, now_s: HostS, identity: Identity) -> None:
        self._setup.take_identity(identity)
        if self.phase is Phase.GREETING:
            self.phase = Phase.READY
        self._hello_due_s = HostS(now_s + HELLO_AGAIN_S)

    def want_limits(self, now_s: HostS) -> None:
        """Limits may be missing: they are sent as soon as the board is locked."""
        self._limits_due_s = now_s

    def say_hello(self, now_s: HostS, *, lawful: bool) -> None:
        """If due. `lawful`: nothing is armed or arming, where a hello would be a trip."""
        if now_s < self._hello_due_s:
            return
        greeting = self.phase is Phase.GREETING
        if greeting or lawful:
            self._outbox.queue(Hello())
        self._hello_due_s = HostS(now_s + (HELLO_RETRY_S if greeting else HELLO_AGAIN_S))

    def send_limits(self, now_s: HostS, *, lawful: bool) -> None:
        """If due. `lawful`: the board is locked, and no arm is on its way."""
        if now_s < self._limits_due_s:
            return
        self._limits_due_s = HostS(now_s + HELLO_RETRY_S)
        if lawful:
            for limits in self._setup.to_send():
                self._outbox.queue(limits)

    def next_deadline_s(self) -> HostS:
        return min(self._hello_due_s, self._limits_due_s)
