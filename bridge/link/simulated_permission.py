"""Permission to fire on the controller: its states, how they follow one another, what is
remembered. Everything that changes `state` is here, as a table (PROTOCOL.md, sections 4 and 5).

A pair of state and event that is not in `TRANSITIONS` changes nothing.
"""

from __future__ import annotations

from enum import Enum

from firmware_protocol.catalogue import Cause, ResetCause, State

from .simulated_settings import BoardMemory


class Event(Enum):
    """What can move the state."""

    ARM = "armed, no horn fitted"
    ARM_WITH_HORN = "armed, horn first"
    HORN_END = "fires_at reached"
    DISARM = "disarm"
    GRAVE = "a cause of GRAVE_CAUSES"
    CAUSE = "any other cause"
    RESET = "reset"


TRANSITIONS: dict[tuple[State, Event], State] = {
    (State.LOCKED, Event.ARM): State.ARMED,
    (State.LOCKED, Event.ARM_WITH_HORN): State.WARNING,
    (State.WARNING, Event.HORN_END): State.ARMED,
    (State.WARNING, Event.DISARM): State.LOCKED,
    (State.ARMED, Event.DISARM): State.LOCKED,
    (State.LOCKED, Event.GRAVE): State.TRIPPED,
    (State.WARNING, Event.GRAVE): State.TRIPPED,
    (State.ARMED, Event.GRAVE): State.TRIPPED,
    (State.WARNING, Event.CAUSE): State.TRIPPED,
    (State.ARMED, Event.CAUSE): State.TRIPPED,
    (State.TRIPPED, Event.RESET): State.LOCKED,
}

GRAVE_CAUSES = frozenset(
    {
        Cause.ESTOP_OPEN,
        Cause.ESTOP_DISAGREE,
        Cause.HOST_STOP,
        Cause.PIN_MISMATCH,
        Cause.INTERNAL_FAULT,
    }
)
"""Causes that trip from locked too."""

RESET_TRIPS: dict[ResetCause, Cause] = {
    ResetCause.WATCHDOG: Cause.WATCHDOG_RESET,
    ResetCause.BROWN_OUT: Cause.BROWN_OUT,
}
"""Starts of the program that are a trip whatever the state was."""

MAY_FIRE = frozenset({State.WARNING, State.ARMED})
"""States in which leases run and everything trips."""


class Permission:
    """State, cause and trip number of one board, kept in its memory at every change."""

    def __init__(self, memory: BoardMemory, reset_cause: ResetCause) -> None:
        self._memory = memory
        memory.boot_id = (memory.boot_id + 1) & 0xFFFF_FFFF
        if memory.state == State.TRIPPED:
            return
        cause = RESET_TRIPS.get(reset_cause, Cause.NONE)
        if cause == Cause.NONE and memory.state in MAY_FIRE:
            cause = Cause.RESET_WHILE_ARMED
        if cause == Cause.NONE and memory.state != State.LOCKED:
            cause = Cause.INTERNAL_FAULT  # no state at all: the memory is damaged
        if cause != Cause.NONE:
            self._latch(cause)

    @property
    def state(self) -> State:
        return self._memory.state

    @property
    def cause(self) -> Cause:
        """Of the trip in force; NONE unless tripped."""
        return self._memory.cause

    @property
    def trip_number(self) -> int:
        """Of the last trip, 0 before the first."""
        return self._memory.trip_number

    def move(self, event: Event) -> bool:
        """Follows the table for anything but a trip. True if the state changed."""
        following = TRANSITIONS.get((self.state, event))
        if following is None or following == State.TRIPPED:
            return False
        self._memory.state = following
        self._memory.cause = Cause.NONE
        return True

    def trip(self, cause: Cause) -> bool:
        """Latches `cause` if the table lets it trip from here. True if it did."""
        event = Event.GRAVE if cause in GRAVE_CAUSES else Event.CAUSE
        if TRANSITIONS.get((self.state, event)) != State.TRIPPED:
            return False
        self._latch(cause)
        return True

    def _latch(self, cause: Cause) -> None:
        self._memory.state = State.TRIPPED
        self._memory.cause = cause
        self._memory.trip_number = (self._memory.trip_number + 1) & 0xFFFF
