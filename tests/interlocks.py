"""Interlocks brought into a state, for tests."""

from __future__ import annotations

from bridge.interlock import (
    Cause,
    Event,
    Interlock,
    State,
    Trip,
)

TRIP = Trip(3, Cause.KEY_OFF, "North rack")


def at(state: State) -> Interlock:
    """An interlock in `state`, brought there by lawful acts alone."""
    interlock = Interlock()
    if state in (State.ARMING, State.ARMED):
        interlock.arm(all_checks_pass=True)
    if state is State.ARMED:
        interlock.confirmed()
    if state is State.TRIPPED:
        interlock.trip(Cause.OPERATOR_STOP, "")
    assert interlock.state is state
    return interlock


def do(interlock: Interlock, event: Event) -> None:
    match event:
        case Event.ARM:
            interlock.arm(all_checks_pass=True)
        case Event.CONFIRMED:
            interlock.confirmed()
        case Event.DISARM:
            interlock.disarm()
        case Event.TRIP:
            interlock.trip(Cause.OPERATOR_STOP, "")
        case Event.RESET:
            interlock.reset(no_cause_lasts=True)
