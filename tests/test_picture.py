"""The live picture on a small terminal: what must be seen is never cut off."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from rich.console import Console as RichConsole

from bridge.bang import WORDS
from bridge.console import KEY_HELP, QUESTION
from bridge.interlock import CAUSES, NOT_SAFE, Cause, State
from bridge.own_words import key_help
from bridge.picture import STATE_LOOK, picture
from bridge.view import CoilView, InputView, LinkView, SiteView

WIDTH, HEIGHT = 80, 24
LONG = max((CAUSES[c].sentence + " " + CAUSES[c].remedy for c in Cause), key=len)
CONDITIONS = tuple(
    f"Bench board: e-stop proof {n}: not seen open since power-up. Press the emergency button and "
    "release it: today's proof test."
    for n in range(16)
)
COILS = tuple(
    CoilView(
        name,
        ((440.0, 100.0), (660.0, 90.0), (880.0, 80.0), (990.0, 70.0)),
        {"duty 1000 ms": 0.9, "duty 100 ms": 0.8, "rate": 0.7},
        ("two voices shortened by the duty window", "one dropped"),
    )
    for name in ("Larkspur", "Foxglove")
)
LINK = LinkView("Bench board", "open", 37.2, 12.0, 3, 2, 1, 0, 4, 123_456, True)
VIEW = SiteView(
    site="Workbench",
    state="locked",
    caution=NOT_SAFE,
    trip="",
    remedy="",
    open_conditions=(),
    coils=COILS,
    links=(LINK,),
    inputs=(InputView("DAW", "connected", "", 0), InputView("Keyboard", "absent", "", 7)),
    midi_messages={"DAW": 8123, "Keyboard": 0},
    remarks=("a remark that is long enough to need more than one row of a small terminal",),
)
LINES = [f"12:00:{n:02d} Rack: something that happened, in {n} long words" for n in range(20)]


def rows(
    view: SiteView, lines: list[str], *, question: str = "", help_line: str = KEY_HELP
) -> list[str]:
    console = RichConsole(
        file=io.StringIO(), width=WIDTH, height=HEIGHT, record=True, force_terminal=True
    )
    console.print(picture(view, lines, help_line, question))
    return console.export_text().splitlines()


def flat(seen: list[str]) -> str:
    return " ".join(" ".join(seen).split())


def in_state(state: State) -> SiteView:
    """Everything there can be to see in a state."""
    trip = f"trip 12, cause 36 (Bench board): {LONG} [link lost: no such file]"
    return replace(
        VIEW,
        state=state.value,
        caution="" if state is State.ARMED else NOT_SAFE,
        trip=trip if state is State.TRIPPED else "",
        remedy=LONG if state is State.TRIPPED else "",
        open_conditions=CONDITIONS if state in (State.LOCKED, State.TRIPPED) else (),
    )


@pytest.mark.parametrize(
    "help_line", [KEY_HELP, f"{KEY_HELP} · {key_help(WORDS)}"], ids=["serve", "bang"]
)
@pytest.mark.parametrize("state", State)
def test_state_keys_question_and_newest_line_are_within_a_small_terminal(
    state: State, help_line: str
) -> None:
    newest = f"12:34:56 armed → tripped: trip 12, cause 36 (Bench board): {LONG} {NOT_SAFE}"
    seen = rows(in_state(state), [*LINES, newest], question=QUESTION, help_line=help_line)
    assert len(seen) > HEIGHT or state in (State.ARMED, State.ARMING)  # there is more than fits
    assert STATE_LOOK[state][1] in seen[0]
    top = flat(seen[:HEIGHT])
    first = flat(seen[1:HEIGHT])
    assert first.startswith(f"{help_line} {QUESTION} {newest}")
    assert NOT_SAFE in top or state is State.ARMED


@pytest.mark.parametrize("state", State)
def test_the_question_as_newest_line_is_shown_once(state: State) -> None:
    seen = rows(in_state(state), [*LINES, f"12:34:56 {QUESTION}"], question=QUESTION)
    assert flat(seen[1:4]).startswith(f"{KEY_HELP} ARM?")
    assert flat(seen).count("ARM?") == 1


def test_a_trip_and_its_remedy_are_within_a_small_terminal() -> None:
    view = in_state(State.TRIPPED)
    top = flat([row.strip("│╭╮╰╯─ ") for row in rows(view, LINES)[:HEIGHT]])
    assert view.trip in top
    assert view.remedy in top


def test_inputs_are_shown_with_their_messages() -> None:
    seen = rows(VIEW, [])
    (daw,) = [row for row in seen if row.startswith("DAW")]
    assert daw.split() == ["DAW", "connected", "8123"]
    (keyboard,) = [row for row in seen if row.startswith("Keyboard")]
    assert keyboard.split() == ["Keyboard", "absent", "0", "(7", "dropped)"]


def test_a_controller_never_heard_of_shows_no_number_for_its_age() -> None:
    never = replace(LINK, name="Rack", text="not opened yet", status_age_ms=None, clock_ppm=None)
    seen = rows(replace(VIEW, links=(never,)), [])
    (row,) = [row for row in seen if row.startswith("Rack")]
    assert row.count("–") == 2


def test_what_comes_from_outside_is_no_markup() -> None:
    text = "[Errno 2] no such file: '[/dev/x]' [red]"
    view = replace(VIEW, links=(replace(LINK, text=text),), coils=())
    shown = flat(rows(view, [f"12:00:00 {text}"]))
    for part in ("[Errno 2]", "[/dev/x]", "[red]"):
        assert shown.count(part) == 2


def test_armed_is_red_and_nothing_is_ever_green() -> None:
    assert "red" in STATE_LOOK[State.ARMED][0]
    assert all("green" not in style for style, _ in STATE_LOOK.values())
