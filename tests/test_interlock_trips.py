"""Trips: their causes, how they are numbered and noted, and the latch after a restart."""

from __future__ import annotations

from itertools import product

import pytest

from bridge.interlock import (
    CAUSES,
    MOST_LATER,
    Cause,
    Clears,
    Event,
    Interlock,
    Latch,
    State,
    Trip,
)
from firmware_protocol.catalogue import Cause as BoardCause
from tests.interlocks import TRIP, at, do


def test_every_cause_has_its_texts_and_none_is_the_same_as_another() -> None:
    assert set(CAUSES) == set(Cause)
    for text in CAUSES.values():
        assert text.sentence.strip().endswith((".", "!"))
        assert len(text.sentence) > 15
        assert text.remedy.strip()
        assert isinstance(text.clears, Clears)
    sentences = [t.sentence for t in CAUSES.values()]
    assert len(set(sentences)) == len(sentences)


def test_numbers_are_unique() -> None:
    assert len(Cause.__members__) == len({int(c) for c in Cause})


def test_numbers_below_32_are_the_protocols_own_catalogue() -> None:
    ours = {c.name: int(c) for c in Cause if c < 32}
    theirs = {c.name: int(c) for c in BoardCause if c is not BoardCause.NONE}
    assert ours == theirs


def test_no_cause_clears_without_the_operators_reset() -> None:
    assert all("operator's reset" in c.value for c in Clears)


@pytest.mark.parametrize("cause", list(Cause))
def test_no_cause_goes_away_by_any_event_but_reset(cause: Cause) -> None:
    interlock = Interlock()
    interlock.trip(cause, "North rack", "detail")
    before = interlock.current_trip
    for first, second in product((e for e in Event if e is not Event.RESET), repeat=2):
        do(interlock, first)
        do(interlock, second)
        interlock.reset(no_cause_lasts=False)
    assert interlock.state is State.TRIPPED
    assert interlock.current_trip is not None
    assert before is not None
    assert interlock.current_trip.cause is cause
    assert interlock.current_trip.number == before.number
    assert interlock.reset(no_cause_lasts=True) is not None
    assert interlock.state is State.LOCKED
    assert interlock.current_trip is None


def test_the_first_cause_stays_and_later_ones_are_noted_once() -> None:
    interlock = at(State.ARMED)
    change = interlock.trip(Cause.KEY_OFF, "North rack", "key")
    assert change is not None
    assert interlock.trip(Cause.ESTOP_OPEN, "South rack") is None
    assert interlock.trip(Cause.ESTOP_OPEN, "South rack") is None
    assert interlock.trip(Cause.KEY_OFF, "North rack", "again") is None
    assert interlock.trip(Cause.KEY_OFF, "South rack") is None
    assert interlock.current_trip == Trip(
        1,
        Cause.KEY_OFF,
        "North rack",
        "key",
        ((Cause.ESTOP_OPEN, "South rack"), (Cause.KEY_OFF, "South rack")),
    )


def test_later_causes_are_bounded() -> None:
    interlock = Interlock()
    interlock.trip(Cause.OPERATOR_STOP, "")
    for n in range(100):
        interlock.trip(Cause.CONTROLLER_LOST, f"rack {n}")
    assert interlock.current_trip is not None
    later = interlock.current_trip.later
    assert MOST_LATER == 16
    assert later == tuple((Cause.CONTROLLER_LOST, f"rack {n}") for n in range(16))


def test_trips_are_numbered_through() -> None:
    interlock = Interlock()
    for number in range(1, 4):
        interlock.trip(Cause.OPERATOR_STOP, "")
        assert interlock.current_trip is not None
        assert interlock.current_trip.number == number
        interlock.reset(no_cause_lasts=True)
    assert interlock.latch.trips == 3


@pytest.mark.parametrize("state", [State.LOCKED, State.TRIPPED])
def test_a_latch_goes_through_a_restart_unchanged(state: State) -> None:
    before = at(state)
    assert Interlock(before.latch).latch == before.latch


@pytest.mark.parametrize("state", [State.ARMING, State.ARMED])
def test_a_site_that_ended_armed_begins_tripped(state: State) -> None:
    old = at(state)
    again = Interlock(old.latch)
    assert again.state is State.TRIPPED
    assert not again.may_fire
    assert again.current_trip == Trip(
        1, Cause.HOST_RESTARTED, "", f"it was {state.value} when it ended"
    )
    assert again.reset(no_cause_lasts=True) is not None
    assert again.state is State.LOCKED


def test_the_first_trip_after_a_restart_is_numbered_on() -> None:
    again = Interlock(Latch(State.ARMED, None, 7))
    assert again.current_trip is not None
    assert again.current_trip.number == 8


@pytest.mark.parametrize("state", list(State))
def test_no_latch_permits_fire_by_itself(state: State) -> None:
    trip = TRIP if state is State.TRIPPED else None
    assert not Interlock(Latch(state, trip, 3)).may_fire
