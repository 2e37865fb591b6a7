"""The operator's terminal: a stop always goes through, whatever the terminal does meanwhile."""

from __future__ import annotations

import json
import re
import time
from types import SimpleNamespace
from typing import Any, cast

import pytest

from bridge import terminal
from bridge.console import QUESTION
from bridge.engine import Act, Engine
from bridge.interlock import NOT_SAFE, Cause, Change, Event, Latch, State, Trip
from bridge.midi_ports import PortState, PortStatus
from bridge.music.instrument import Instrument
from bridge.records import ArmDenied, InputChanged, InterlockChanged, Record, ResetDenied
from bridge.serve import input_lines
from bridge.service import Service
from bridge.terminal import Operator, record_line
from bridge.view import site_view
from tests.site_text import site


class FakeService:
    """A service that only notes what it is told; its engine is real."""

    def __init__(self) -> None:
        self.engine = Engine(site(), Instrument(site()), Latch())
        self.midi: Any = None
        self.told: list[Any] = []

    def stop(self, cause: Cause, detail: str = "", by: str = "") -> None:
        assert by == terminal.TERMINAL
        self.told.append(cause)
        self.engine.trip(time.monotonic(), cause, "", detail)

    def act(self, act: Act, by: str) -> None:
        assert by == terminal.TERMINAL
        self.told.append(act)

    def source_changed(self) -> None:
        self.told.append("source")

    def leave(self) -> None:
        self.told.append("leave")


def operator(extra: terminal.Extra | None = None) -> tuple[Operator, FakeService]:
    service = FakeService()
    return Operator(cast(Service, service), extra), service


# -- lines -----------------------------------------------------------------------------------------


TRIP = Trip(3, Cause.OPERATOR_STOP, "", "")
CHANGES = [
    Change(State.LOCKED, Event.ARM, State.ARMING, None),
    Change(State.ARMING, Event.DISARM, State.LOCKED, None),
    Change(State.ARMED, Event.DISARM, State.LOCKED, None),
    Change(State.ARMED, Event.TRIP, State.TRIPPED, TRIP),
    Change(State.TRIPPED, Event.RESET, State.LOCKED, None),
]
NOT_ARMED: list[Record] = [
    *map(InterlockChanged, CHANGES),
    ArmDenied(("key: off",)),
    ResetDenied(("Rack: cause remains",)),
]


@pytest.mark.parametrize("record", NOT_ARMED, ids=str)
def test_every_line_of_a_site_that_is_not_armed_says_that_it_is_not_safe(record: Record) -> None:
    assert (record_line(record) or "").endswith(NOT_SAFE)


def test_the_arming_list_in_words_says_that_silent_is_not_safe() -> None:
    taken, _ = operator()
    taken.key("a")
    (line,) = taken.lines
    assert line.text.startswith("not yet: ")
    assert line.text.endswith(NOT_SAFE)


def test_lines_carry_the_time_of_day() -> None:
    taken, _ = operator()
    taken.say("something")
    assert re.fullmatch(r"\d\d:\d\d:\d\d", taken.lines[-1].clock)
    assert taken.lines[-1].text == "something"


def test_the_same_line_again_pushes_no_other_away() -> None:
    taken, _ = operator()
    taken.say("first")
    for _ in range(100):
        taken.say("held key")
    assert [line.text for line in taken.lines] == ["first", "held key"]


def test_an_input_that_stays_absent_is_reported_once() -> None:
    taken, _ = operator()
    printed: list[str] = []
    taken.print_line = lambda line, keep: printed.append(line)
    for text in ("absent", "absent", "absent", "connected", "absent", "absent"):
        taken.recorded(1.0, InputChanged("Keyboard", text))
    taken.recorded(1.0, InputChanged("DAW", "absent"))
    assert printed == [
        "input Keyboard: absent", "input Keyboard: connected", "input Keyboard: absent",
        "input DAW: absent",
    ]  # fmt: skip


def test_each_input_says_at_the_start_what_it_waits_for() -> None:
    assert input_lines(site()) == [
        'input DAW: opens the virtual port "Coilwarden" and waits for a sender',
        'input Keyboard: waits for a MIDI port whose name fits "keyboard|piano"',
    ]


def test_changes_of_state_are_what_a_full_output_keeps() -> None:
    taken, _ = operator()
    kept: list[bool] = []
    taken.print_line = lambda line, keep: kept.append(keep)
    taken.recorded(1.0, InterlockChanged(CHANGES[3]))
    taken.recorded(1.0, ResetDenied(("x",)))
    assert kept == [True, False]


def test_a_stop_that_changes_nothing_is_answered_and_done_all_the_same() -> None:
    taken, service = operator()
    taken.key(" ")
    taken.key("\x1b")
    taken.word(" STOP ")
    assert service.told == [Cause.OPERATOR_STOP] * 3
    assert taken.lines[-1].text == f"stop: tripped already. {NOT_SAFE}"


def test_an_arrow_key_stops() -> None:
    taken, service = operator()
    for key in "\x1b[A":
        taken.key(key)
    assert service.told == [Cause.OPERATOR_STOP]


def test_quit_by_key_leaves() -> None:
    for key in ("q", "\x1c"):
        taken, service = operator()
        taken.key(key)
        assert service.told == ["leave"]


def test_a_commands_own_keys_take_a_request_to_arm_back() -> None:
    taken, service = operator(lambda said: "" if said == "+" else None)
    assert taken._console.word(time.monotonic(), "arm", State.LOCKED, []).text == QUESTION
    assert taken.question() == QUESTION
    taken.key("+")
    assert taken.question() == ""
    assert service.told == ["source"]
    assert not taken.lines  # no answer, no line


# -- what there is to see --------------------------------------------------------------------------


def test_a_controller_never_heard_of_has_no_status_age() -> None:
    _, service = operator()
    view = json.loads(json.dumps(site_view(service.engine, 5.0).as_json(), allow_nan=False))
    for link in view["links"]:
        assert link["status_age_ms"] is None
        assert link["clock_ppm"] is None


def test_inputs_are_seen_with_their_state_and_messages() -> None:
    taken, service = operator()
    assert taken.view().inputs == ()  # not open yet
    service.midi = SimpleNamespace(
        status={
            "DAW": PortStatus(PortState.CONNECTED, ("x",), "", 0),
            "Keyboard": PortStatus(PortState.ABSENT, (), "nothing fits", 3),
        }
    )
    service.engine.midi(5.0, "DAW", b"\x90\x40\x40", 5.0)
    view = taken.view()
    assert [(i.name, i.state, i.note, i.dropped) for i in view.inputs] == [
        ("DAW", "connected", "", 0), ("Keyboard", "absent", "nothing fits", 3)
    ]  # fmt: skip
    assert view.midi_messages == {"DAW": 1, "Keyboard": 0}
