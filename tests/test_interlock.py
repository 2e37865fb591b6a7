"""Permission to fire, exhaustively: the table, the causes, the latch, and random acts over both."""

from __future__ import annotations

from collections import deque
from itertools import product

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from bridge.interlock import (
    CAUSES,
    TRANSITIONS,
    Cause,
    Event,
    Interlock,
    State,
)
from bridge.interlock_tables import cause_table, transition_table
from tests.interlocks import at, do

# -- the table ---------------------------------------------------------------------------------

PAIRS = list(product(State, Event))


@pytest.mark.parametrize(("state", "event"), PAIRS)
def test_every_event_in_every_state_does_what_the_table_says(state: State, event: Event) -> None:
    interlock = at(state)
    do(interlock, event)
    assert interlock.state is TRANSITIONS.get((state, event), state)


def test_the_table_is_what_the_design_says() -> None:
    """Permission to fire: locked → armed → locked; anything wrong → tripped → locked."""
    rows = {(a.value, e.name, b.value) for (a, e), b in TRANSITIONS.items()}
    assert rows == {
        ("locked", "ARM", "arming"),
        ("arming", "CONFIRMED", "armed"),
        ("arming", "DISARM", "locked"),
        ("armed", "DISARM", "locked"),
        ("tripped", "RESET", "locked"),
        *((s.value, "TRIP", "tripped") for s in State),
    }


def test_armed_is_reached_only_from_arming_by_confirmation() -> None:
    into = [(a, e) for (a, e), b in TRANSITIONS.items() if b is State.ARMED]
    assert into == [(State.ARMING, Event.CONFIRMED)]


def test_arming_is_reached_only_from_locked_by_the_operator() -> None:
    into = [(a, e) for (a, e), b in TRANSITIONS.items() if b is State.ARMING]
    assert into == [(State.LOCKED, Event.ARM)]


def test_tripped_is_left_only_by_reset_and_only_to_locked() -> None:
    out = [(e, b) for (a, e), b in TRANSITIONS.items() if a is State.TRIPPED and b is not a]
    assert out == [(Event.RESET, State.LOCKED)]


def test_every_state_can_trip() -> None:
    assert all(TRANSITIONS[(s, Event.TRIP)] is State.TRIPPED for s in State)


def test_without_the_operators_arm_no_path_permits_fire() -> None:
    """Every state that any events but ARM can reach from every state that is not armed."""
    for start in (State.LOCKED, State.TRIPPED):
        seen, todo = {start}, deque([start])
        while todo:
            state = todo.popleft()
            for event in Event:
                after = TRANSITIONS.get((state, event), state)
                if event is not Event.ARM and after not in seen:
                    seen.add(after)
                    todo.append(after)
        assert seen <= {State.LOCKED, State.TRIPPED}


@pytest.mark.parametrize("state", list(State))
def test_only_armed_permits_fire(state: State) -> None:
    assert at(state).may_fire is (state is State.ARMED)


@pytest.mark.parametrize("state", list(State))
def test_an_open_check_arms_nothing(state: State) -> None:
    interlock = at(state)
    before = interlock.latch
    assert interlock.arm(all_checks_pass=False) is None
    assert interlock.latch == before


@pytest.mark.parametrize("state", list(State))
def test_a_lasting_cause_resets_nothing(state: State) -> None:
    interlock = at(state)
    before = interlock.latch
    assert interlock.reset(no_cause_lasts=False) is None
    assert interlock.latch == before


@pytest.mark.parametrize(("state", "event"), PAIRS)
def test_a_change_is_reported_exactly_when_there_is_one(state: State, event: Event) -> None:
    interlock = at(state)
    change = (
        interlock.trip(Cause.OPERATOR_STOP, "")
        if event is Event.TRIP
        else {
            Event.ARM: lambda: interlock.arm(all_checks_pass=True),
            Event.CONFIRMED: interlock.confirmed,
            Event.DISARM: interlock.disarm,
            Event.RESET: lambda: interlock.reset(no_cause_lasts=True),
        }[event]()
    )
    if state is interlock.state:
        assert change is None
    else:
        assert change is not None
        assert (change.before, change.event, change.after) == (state, event, interlock.state)
        assert (change.trip is not None) is (interlock.state is State.TRIPPED)


# -- tables for the docs -----------------------------------------------------------------------


def cells(table: str) -> list[list[str]]:
    rows = [line.strip("|").split("|") for line in table.strip().splitlines()]
    assert set("".join(rows[1])) <= set("- ")
    return [[cell.strip() for cell in row] for row in (rows[0], *rows[2:])]


def test_the_cause_table_has_every_cause_in_order() -> None:
    heading, *rows = cells(cause_table())
    assert heading == ["number", "cause", "what to do", "clears"]
    assert [int(r[0]) for r in rows] == sorted(int(c) for c in Cause)
    for number, sentence, remedy, clears in rows:
        text = CAUSES[Cause(int(number))]
        assert (sentence, remedy, clears) == (text.sentence, text.remedy, text.clears.value)


def test_the_transition_table_has_every_state_and_event() -> None:
    heading, *rows = cells(transition_table())
    assert heading == ["", *(e.name.lower() for e in Event)]
    assert [r[0] for r in rows] == [s.value for s in State]
    for state, row in zip(State, rows, strict=True):
        for event, cell in zip(Event, row[1:], strict=True):
            after = TRANSITIONS.get((state, event))
            assert cell == ("·" if after is None else after.value)


# -- random acts -------------------------------------------------------------------------------

causes = st.sampled_from(list(Cause))
origins = st.sampled_from(["", "North rack", "South rack"])


class RandomActs(RuleBasedStateMachine):
    """A model that knows one rule: fire needs an arm with every check true, then a confirmation,
    with no trip, disarm or restart since that arm."""

    def __init__(self) -> None:
        super().__init__()
        self.interlock = Interlock()
        self.asked = False
        self.granted = False
        self.tripped = False
        self.first: Cause | None = None

    @rule(checks=st.booleans())
    def arm(self, checks: bool) -> None:
        self.interlock.arm(checks)
        if checks and not self.tripped and not self.granted:
            self.asked = True

    @rule()
    def confirm(self) -> None:
        self.interlock.confirmed()
        if self.asked and not self.tripped:
            self.granted = True

    @rule()
    def disarm(self) -> None:
        self.interlock.disarm()
        self.asked = self.granted = False

    @rule(cause=causes, origin=origins)
    def trip(self, cause: Cause, origin: str) -> None:
        self.interlock.trip(cause, origin)
        self.asked = self.granted = False
        self.first = self.first if self.tripped else cause
        self.tripped = True

    @rule(gone=st.booleans())
    def reset(self, gone: bool) -> None:
        self.interlock.reset(gone)
        if gone:
            self.tripped = False
            self.first = None

    @rule()
    def restart(self) -> None:
        if self.asked or self.granted:
            self.tripped, self.first = True, Cause.HOST_RESTARTED
        self.asked = self.granted = False
        self.interlock = Interlock(self.interlock.latch)

    @precondition(lambda self: self.granted)
    @rule()
    def armed_site_trips_at_once(self) -> None:
        assert self.interlock.may_fire
        self.interlock.trip(Cause.OPERATOR_STOP, "")
        assert not self.interlock.may_fire
        self.asked = self.granted = False
        self.tripped, self.first = True, Cause.OPERATOR_STOP

    @invariant()
    def fires_only_with_permission(self) -> None:
        assert self.interlock.may_fire is self.granted

    @invariant()
    def tripped_with_its_first_cause(self) -> None:
        assert (self.interlock.state is State.TRIPPED) is self.tripped
        trip = self.interlock.current_trip
        assert (trip.cause if trip else None) is self.first


TestRandomActs = RandomActs.TestCase
TestRandomActs.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
