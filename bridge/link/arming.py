"""How one controller is armed, held and reset: nonces, tries, the session number. Sans I/O.

No permission is decided here: the engine asks, and the board's own words say what came of it.
"""

from __future__ import annotations

import math
from enum import Enum

from bridge.clocks import HostS
from firmware_protocol import messages as m
from firmware_protocol.catalogue import Reason
from firmware_protocol.catalogue import State as BoardState

from .outbox import Outbox
from .pings import Pings
from .session_events import (
    ArmConfirmed,
    ArmRefused,
    Disagrees,
    GuardRefused,
    HornEnded,
    ResetRefused,
    SessionEvent,
)
from .setup import Setup

_ANSWER_WAIT_S = 0.04
"""For an answer to a nonce, arm or reset, beside the link's jitter there and back."""
_MOST_ARMS = 8
"""Nonces of unanswered arms that are remembered."""


def _session_after(nonce: int) -> int:
    """The session number that an arm with this nonce begins (PROTOCOL.md, section 6)."""
    count = nonce & 0xFFFF
    return (nonce & 0xFFFF_0000) | (1 if count == 0xFFFF else count + 1)


class Want(Enum):
    """What a nonce is wanted for."""

    NOTHING = "nothing"
    ARM = "arm"
    RESET = "reset"


class Arming:
    """What is asked of the board's permission, and what is held of it."""

    def __init__(
        self,
        outbox: Outbox,
        pings: Pings,
        setup: Setup,
        events: list[SessionEvent],
        *,
        link_jitter_s: float,
    ) -> None:
        self.session_number: int | None = None
        """The controller's session while armed or arming, else None."""
        self.firing = False
        """Armed and the horn has ended."""
        self._outbox = outbox
        self._pings = pings
        self._setup = setup
        self._events = events
        self._wait_s = _ANSWER_WAIT_S + 2 * link_jitter_s
        self._want = Want.NOTHING
        self._nonce_due_s = HostS(math.inf)
        self._arm_nonces: tuple[int, ...] = ()
        """Sent with arm and not yet answered; more than one after frames were lost."""
        self._arm_due_s = HostS(math.inf)
        self._refusals_at_arming = 0
        self._refusals_told = 0
        self._jumps_at_arming = 0

    @property
    def quiet(self) -> bool:
        """The board holds no permission of ours, and none is on its way to it."""
        return self.session_number is None and not self._arm_nonces

    @property
    def wants_arm(self) -> bool:
        """Waits for a nonce to arm with."""
        return self._want is Want.ARM

    @property
    def idle(self) -> bool:
        """Quiet, and nothing is asked."""
        return self.quiet and self._want is Want.NOTHING

    @property
    def answer_due(self) -> bool:
        """An arm was sent and its answer has not come."""
        return bool(self._arm_nonces)

    @property
    def clock_jumped(self) -> bool:
        """The controller's clock lost its step since arming."""
        return self.session_number is not None and self._pings.clock.jumps != self._jumps_at_arming

    # -- what is asked ------------------------------------------------------------------------

    def request_arm(self, now_s: HostS) -> None:
        self.drop()
        self._want = Want.ARM
        self._ask_nonce(now_s)

    def request_reset(self, now_s: HostS) -> None:
        self._want = Want.RESET
        self._ask_nonce(now_s)

    def cancel_reset(self) -> None:
        if self._want is Want.RESET:
            self._want = Want.NOTHING

    def drop(self) -> None:
        """Nothing is held or on its way any more; a reset that is asked for goes on."""
        self.session_number = None
        self.firing = False
        self._arm_nonces = ()
        self._arm_due_s = HostS(math.inf)
        if self._want is Want.ARM:
            self._want = Want.NOTHING

    def forget(self) -> None:
        """Nothing is held, and nothing is asked."""
        self.drop()
        self._want = Want.NOTHING

    def advance(self, now_s: HostS) -> None:
        """Asks again for what was not answered."""
        if now_s >= self._arm_due_s:  # arm or its answer was lost
            self._arm_due_s = HostS(math.inf)
            self._want = Want.ARM
            self._ask_nonce(now_s)
        if self._want is not Want.NOTHING and now_s >= self._nonce_due_s:
            self._ask_nonce(now_s)

    def next_deadline_s(self) -> HostS:
        if self._want is Want.NOTHING:
            return self._arm_due_s
        return min(self._arm_due_s, self._nonce_due_s)

    def _ask_nonce(self, now_s: HostS) -> None:
        self._nonce_due_s = HostS(now_s + self._wait_s)
        self._pings.ask_nonce(now_s)

    # -- what the board says ------------------------------------------------------------------

    def take_nonce(self, now_s: HostS, nonce: int, status: m.Status | None) -> None:
        """`status`: the newest, which names the trip that a reset is to clear."""
        if self._want is Want.ARM:
            self._want = Want.NOTHING
            self._arm_nonces = (*self._arm_nonces[1 - _MOST_ARMS :], nonce)
            self._arm_due_s = HostS(now_s + self._wait_s)
            self._outbox.queue(m.Arm(nonce, self._setup.digest()))
        elif self._want is Want.RESET and status is not None:
            self._outbox.queue(m.Reset(status.trip_number, nonce))
            self._nonce_due_s = HostS(now_s + self._wait_s)

    def take_armed(self, armed: m.Armed, status: m.Status | None) -> None:
        if armed.nonce in self._arm_nonces:
            self._begin(armed.session, status)

    def take_locked(self) -> bool:
        """A status says locked. True: that answers a reset."""
        if self._want is not Want.RESET:
            return False
        self._want = Want.NOTHING
        return True

    def take_status(self, status: m.Status) -> bool:
        """A status that does not say tripped. False: no session is held that it could be about."""
        if self.session_number is None and status.session in map(_session_after, self._arm_nonces):
            self._begin(status.session, status)  # the answer to arm was lost, the status was not
        if self.session_number is None:
            return False
        self._supervise(status)
        return True

    def take_refusal(self, now_s: HostS, refusal: m.Refusal, reason: str) -> bool:
        """True: it answers an arm or a reset."""
        if refusal.type_code == m.Arm.TYPE and self._arm_nonces:
            # After a retry "not locked" may only mean that the first arm did arrive: status tells.
            if refusal.reason == Reason.BAD_NONCE:  # a newer one was issued meanwhile: once more
                self._arm_due_s = now_s
            elif len(self._arm_nonces) == 1 or refusal.reason != Reason.NOT_LOCKED:
                self.drop()
                self._events.append(ArmRefused(reason))
            return True
        if refusal.type_code == m.Reset.TYPE and self._want is Want.RESET:
            self._want = Want.NOTHING
            self._events.append(ResetRefused(reason))
            return True
        return False

    def _begin(self, session_number: int, status: m.Status | None) -> None:
        self.drop()
        self._jumps_at_arming = self._pings.clock.jumps
        self._refusals_told = 0
        self.session_number = session_number
        if status is not None:
            self._refusals_at_arming = sum(o.guard_refusals for o in status.per_output)
        self._events.append(ArmConfirmed())

    def _supervise(self, status: m.Status) -> None:
        if status.state == BoardState.LOCKED or status.session != self.session_number:
            self.drop()
            self._events.append(Disagrees("no longer armed, though nobody disarmed it"))
            return
        if status.state == BoardState.ARMED and not self.firing:
            self.firing = True
            self._events.append(HornEnded())
        refusals = sum(o.guard_refusals for o in status.per_output)
        refused = (refusals - self._refusals_at_arming) & 0xFFFF
        if refused > self._refusals_told:
            self._refusals_told = refused
            worst = max(status.per_output, key=lambda o: o.guard_refusals)
            self._events.append(GuardRefused(refused, worst.last_guard_reason))
