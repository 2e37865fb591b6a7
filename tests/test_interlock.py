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
    MOST_LATER,
    TRANSITIONS,
    Cause,
    Clears,
    Event,
    Interlock,
    Latch,
    State,
    Trip,
)
from bridge.interlock_tables import cause_table, transition_table
from firmware_protocol.catalogue import Cause as BoardCause

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


# -- causes ------------------------------------------------------------------------------------


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


# -- the latch ---------------------------------------------------------------------------------


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
