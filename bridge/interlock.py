"""Permission to fire: states, latch, transitions. Everything that decides it lives in this file.

What the causes are called, what to do about each and how it clears is the table in causes.py.

Rules that open this file and hold through it:
- The tables below are the state machine; docs, diagram and the exhaustive test read them.
- No row leads to ARMED but "every controller confirmed", and only from ARMING; no row leads to
  ARMING but the operator's own act. Nothing here arms, resets or retries by itself.
- TRIPPED is left only by the operator's reset, and never to anything but LOCKED.
- Pure: no clock, no port. `Interlock` is told what happened and answers what is permitted.

A trip ends the signal. The bus stays charged and the mains on: silent is not safe to approach.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum, auto

from bridge.causes import CAUSES, Cause, CauseText, Clears

__all__ = [
    "CAUSES",
    "NOT_SAFE",
    "TRANSITIONS",
    "Cause",
    "CauseText",
    "Change",
    "Clears",
    "Event",
    "Interlock",
    "Latch",
    "State",
    "Trip",
]

MOST_LATER = 16
"""Further causes kept with a trip."""
NOT_SAFE = "Silent is not safe to approach: the bus stays charged and the mains on."


class State(Enum):
    LOCKED = "locked"
    ARMING = "arming"
    """Asked of every controller, not yet confirmed by all or the horn still sounds. Dark."""
    ARMED = "armed"
    TRIPPED = "tripped"


class Event(Enum):
    """What can move the interlock."""

    ARM = auto()
    """The operator armed, and every check of the arming list passed."""
    CONFIRMED = auto()
    """Every controller confirmed and its horn has ended."""
    DISARM = auto()
    """The operator disarmed, or an armed site lay idle."""
    TRIP = auto()
    RESET = auto()
    """The operator reset, no cause lasts and every controller there is locked again."""


TRANSITIONS: dict[tuple[State, Event], State] = {
    (State.LOCKED, Event.ARM): State.ARMING,
    (State.LOCKED, Event.TRIP): State.TRIPPED,
    (State.ARMING, Event.CONFIRMED): State.ARMED,
    (State.ARMING, Event.DISARM): State.LOCKED,
    (State.ARMING, Event.TRIP): State.TRIPPED,
    (State.ARMED, Event.DISARM): State.LOCKED,
    (State.ARMED, Event.TRIP): State.TRIPPED,
    (State.TRIPPED, Event.TRIP): State.TRIPPED,
    (State.TRIPPED, Event.RESET): State.LOCKED,
}
"""A pair that is not here changes nothing."""


@dataclass(frozen=True, slots=True)
class Trip:
    """One latched trip: the first cause, where it came from, and what else came after."""

    number: int
    cause: Cause
    origin: str
    """A controller's or input's name, or "" for the site as a whole."""
    detail: str = ""
    later: tuple[tuple[Cause, str], ...] = ()
    """Further causes while tripped, at most MOST_LATER kept, each once."""


@dataclass(frozen=True, slots=True)
class Latch:
    """What must survive a restart of the daemon."""

    state: State = State.LOCKED
    trip: Trip | None = None
    trips: int = 0
    """Trips so far: the last trip's number."""


@dataclass(frozen=True, slots=True)
class Change:
    """One accepted transition, for the record."""

    before: State
    event: Event
    after: State
    trip: Trip | None


@dataclass(slots=True)
class Interlock:
    """The site's one owner of permission. Begins from what the last run left behind."""

    latch: Latch = field(default_factory=Latch)

    def __post_init__(self) -> None:
        if self.latch.state in (State.ARMED, State.ARMING):
            was = self.latch.state.value
            self.latch = replace(self.latch, state=State.LOCKED, trip=None)
            self.trip(Cause.HOST_RESTARTED, "", f"it was {was} when it ended")

    @property
    def state(self) -> State:
        return self.latch.state

    @property
    def current_trip(self) -> Trip | None:
        return self.latch.trip

    @property
    def may_fire(self) -> bool:
        return self.latch.state is State.ARMED

    def arm(self, all_checks_pass: bool) -> Change | None:
        """The operator's act. None (and nothing changes) unless locked and every check passed."""
        return self._move(Event.ARM) if all_checks_pass else None

    def confirmed(self) -> Change | None:
        return self._move(Event.CONFIRMED)

    def disarm(self) -> Change | None:
        return self._move(Event.DISARM)

    def reset(self, no_cause_lasts: bool) -> Change | None:
        """The operator's act. None (and nothing changes) while any cause lasts."""
        return self._move(Event.RESET) if no_cause_lasts else None

    def trip(self, cause: Cause, origin: str, detail: str = "") -> Change | None:
        """Latches the first cause; while tripped, notes a further one. Never fails."""
        trip = self.latch.trip
        if self.latch.state is State.TRIPPED and trip is not None:
            known = {(trip.cause, trip.origin), *trip.later}
            if (cause, origin) not in known and len(trip.later) < MOST_LATER:
                later = (*trip.later, (cause, origin))
                self.latch = replace(self.latch, trip=replace(trip, later=later))
            return None
        number = self.latch.trips + 1
        self.latch = replace(self.latch, trip=Trip(number, cause, origin, detail), trips=number)
        return self._move(Event.TRIP)

    def _move(self, event: Event) -> Change | None:
        before = self.latch.state
        after = TRANSITIONS.get((before, event))
        if after is None:
            return None
        trip = self.latch.trip if after is State.TRIPPED else None
        self.latch = replace(self.latch, state=after, trip=trip)
        return Change(before, event, after, trip)
