"""The operator's reset on its way: what forbids it, and which controllers have still to answer."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

from bridge.checks import STATUS_FRESH_S
from bridge.clocks import HostS
from bridge.interlock import Cause, Trip
from bridge.link.greeting import Phase
from bridge.link.session import Session

RESET_WAIT_S = 0.7


def lasting_causes(
    now_s: HostS,
    trip: Trip | None,
    sessions: Mapping[str, Session],
    lost_inputs: Collection[str],
) -> list[str]:
    """What must go before a reset: every controller must be there to be looked at."""
    lasting = [
        f"{name} does not answer"
        for name, session in sessions.items()
        if session.phase is not Phase.READY or session.status_age_s(now_s) > STATUS_FRESH_S
    ]
    for cause, origin in () if trip is None else ((trip.cause, trip.origin), *trip.later):
        if cause is Cause.INPUT_LOST and origin in lost_inputs:
            lasting.append(f"input {origin} is still lost")
        session = sessions.get(origin)
        if cause is Cause.CLOCK_OUT and session is not None and session.clock.problem():
            lasting.append(f"{origin}: clock {session.clock.problem()}")
    return lasting


class Resetting:
    """All controllers confirm, or the reset is given up and none does so later by itself."""

    def __init__(self, sessions: Mapping[str, Session]) -> None:
        self.until_s = HostS(math.inf)
        """When the answers must be there; infinite while no reset is on its way."""
        self._sessions = sessions
        self._waiting: set[str] = set()

    @property
    def active(self) -> bool:
        return self.until_s < math.inf

    @property
    def waiting(self) -> str:
        """Who has not answered yet, in words."""
        return ", ".join(sorted(self._waiting))

    def begin(self, now_s: HostS) -> None:
        self._waiting = set(self._sessions)
        self.until_s = HostS(now_s + RESET_WAIT_S)

    def confirmed(self, name: str) -> None:
        self._waiting.discard(name)

    def take_finished(self) -> bool:
        """True, once: every controller has confirmed."""
        if not self.active or self._waiting:
            return False
        self.until_s = HostS(math.inf)
        return True

    def overtaken(self) -> None:
        """By a trip: the stop goes out instead, and the sessions forget the reset with it."""
        self._waiting.clear()
        self.until_s = HostS(math.inf)

    def give_up(self) -> None:
        """No controller may do it later by itself."""
        self.overtaken()
        for session in self._sessions.values():
            session.cancel_reset()
