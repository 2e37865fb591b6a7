"""What prove-stop times: from the press as this computer knows it to every controller dark."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from bridge.clocks import HostS
from bridge.entries import Collect, Entry, Midi, Received, StopInput, Stopped
from bridge.interlock import Cause, Change, Event, State, Trip
from bridge.records import InterlockChanged
from bridge.stops.condition import Condition
from bridge.stops.prove import MOST_MS, StopTimer, StopWalk
from bridge.stops.steps import StopStep
from firmware_protocol import messages as m
from firmware_protocol.catalogue import State as BoardState

BOTH_OPEN = 0
CLOSED = m.INPUT_ESTOP_A | m.INPUT_ESTOP_B


def step(name: str, cause: Cause, origin: str = "", by: str = "") -> StopStep:
    return StopStep(name, "Press it.", frozenset({cause}), origin, by)


STEPS = (
    step("terminal", Cause.OPERATOR_STOP, by="terminal"),
    step("North: emergency button", Cause.ESTOP_OPEN, "North"),
    step("input keys", Cause.MIDI_STOP, "keys"),
    step("stop Desk", Cause.STOP_BUTTON, "Desk"),
    step("dead man's switch", Cause.DEAD_MAN),
)


class Looked:
    """A timer with two boards, told by hand what happens."""

    def __init__(self) -> None:
        self.walk = StopWalk(STEPS)
        self.proven: list[tuple[str, float]] = []
        self.said: list[str] = []
        self.timer = StopTimer(
            self.walk, lambda s, ms: self.proven.append((s.name, round(ms, 3))), self.said.append
        )
        self.state = State.ARMED
        self.boards = {"North": BoardState.ARMED, "South": BoardState.ARMED}
        self.inputs = CLOSED

    def settle(self, at_s: float, **boards: BoardState) -> None:
        self.boards |= boards
        engine = SimpleNamespace(
            interlock=SimpleNamespace(state=self.state),
            sessions={
                name: SimpleNamespace(status=SimpleNamespace(state=state, inputs=self.inputs))
                for name, state in self.boards.items()
            },
        )
        self.timer.settled(HostS(at_s), cast(Any, engine))

    def trip(self, at_s: float, entry: Entry, cause: Cause, origin: str = "") -> None:
        self.timer.entered(entry)
        before, self.state = self.state, State.TRIPPED
        change = Change(before, Event.TRIP, State.TRIPPED, Trip(1, cause, origin))
        self.timer.recorded(HostS(at_s), InterlockChanged(change))
        self.timer.entered(Collect(HostS(at_s), "North", 0))
        self.settle(at_s)

    def dark(self, at_s: float) -> None:
        self.settle(at_s, North=BoardState.TRIPPED, South=BoardState.TRIPPED)


def at(seconds: float) -> HostS:
    return HostS(seconds)


ENTRIES = [
    (Stopped(at(10.0), Cause.OPERATOR_STOP, "", "", "terminal"), Cause.OPERATOR_STOP, "", 41.0),
    (Midi(at(10.0), "keys", b"\xb0\x5a\x7f", at(9.99)), Cause.MIDI_STOP, "keys", 51.0),
    (StopInput(at(10.0), "Desk", Condition.PRESSED, ""), Cause.STOP_BUTTON, "Desk", 41.0),
]


@pytest.mark.parametrize(("entry", "cause", "origin", "ms"), ENTRIES)
def test_timed_from_when_it_reached_this_computer_to_the_last_board(
    entry: Entry, cause: Cause, origin: str, ms: float
) -> None:
    looked = Looked()
    looked.settle(9.9)
    looked.trip(10.0, entry, cause, origin)
    looked.settle(10.02, North=BoardState.TRIPPED)
    assert looked.proven == []
    looked.dark(10.041)
    assert [x for _, x in looked.proven] == [ms]
    looked.dark(10.2)
    assert len(looked.proven) == 1


def test_a_boards_own_button_is_timed_from_the_last_status_that_said_armed() -> None:
    looked = Looked()
    looked.settle(9.95)
    looked.settle(9.98)
    received = Received(at(10.0), "North", b"")
    looked.boards["North"] = BoardState.TRIPPED
    looked.trip(10.0, received, Cause.ESTOP_OPEN, "North")
    looked.dark(10.03)
    assert looked.proven == [], "only one of its two inputs was seen open"
    looked.inputs = BOTH_OPEN
    looked.dark(10.5)  # dark since 10.03 all the same
    assert looked.proven == [("North: emergency button", 50.0)]


def test_one_board_that_stays_armed_is_no_proof_and_late_is_none() -> None:
    looked = Looked()
    looked.settle(9.9)
    looked.trip(10.0, ENTRIES[0][0], Cause.OPERATOR_STOP)
    looked.settle(10.1, North=BoardState.TRIPPED)
    looked.settle(11.0)
    assert looked.proven == []
    looked.dark(10.0 + MOST_MS / 1000 + 0.001)
    assert looked.proven == []
    assert "no proof" in looked.said[-1]


def test_what_was_pressed_before_it_was_armed_or_was_pressed_already_proves_nothing() -> None:
    looked = Looked()
    looked.state = State.LOCKED
    looked.trip(10.0, ENTRIES[0][0], Cause.OPERATOR_STOP)
    looked.dark(10.04)
    assert "nothing was armed" in looked.said[0]
    looked.state = State.ARMED
    for board in looked.boards:
        looked.boards[board] = BoardState.ARMED
    looked.settle(11.0)
    looked.trip(12.0, Stopped(at(12.0), Cause.OPERATOR_STOP, "", "", "panel"), Cause.OPERATOR_STOP)
    looked.dark(12.04)
    assert "not a stop still to be proven" in looked.said[-1]
    assert looked.proven == []
