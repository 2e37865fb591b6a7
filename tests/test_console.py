"""The operator's words and keys: arming in two steps, stop in one, always."""

from __future__ import annotations

import math

import pytest

from bridge.console import (
    CONFIRM_AFTER_S,
    CONFIRM_WITHIN_S,
    KEY_HELP,
    KEYS,
    QUESTION,
    Answer,
    Command,
    Console,
)
from bridge.interlock import NOT_SAFE, State

LOCKED, ARMING, ARMED, TRIPPED = State.LOCKED, State.ARMING, State.ARMED, State.TRIPPED
OPEN = ["North rack: key: off. Turn the key on.", "notes: a key is held. Let go."]


def asked(at_s: float = 100.0) -> Console:
    console = Console()
    answer = console.key(at_s, "a", LOCKED, [])
    assert answer is not None
    assert answer.act is None
    return console


def act(answer: Answer | None) -> Command | None:
    return None if answer is None else answer.act


def test_arming_takes_two_steps() -> None:
    console = asked()
    assert act(console.key(102.0, "y", LOCKED, [])) is Command.ARM


def test_words_arm_in_the_same_two_steps() -> None:
    console = Console()
    first = console.word(1.0, "arm", LOCKED, [])
    assert first.act is None
    assert "Confirm within 5 s" in first.text
    assert console.word(2.0, " Confirm \n", LOCKED, []).act is Command.ARM


def test_a_request_is_good_for_exactly_its_time() -> None:
    latest = 100.0 + CONFIRM_WITHIN_S
    assert act(asked().key(latest, "y", LOCKED, [])) is Command.ARM
    late = asked().key(math.nextafter(latest, math.inf), "y", LOCKED, [])
    assert late is not None
    assert late.act is None
    assert "too late" in late.text


@pytest.mark.parametrize("after_s", [0.0, 0.05, CONFIRM_AFTER_S - 1e-9])
def test_a_confirmation_in_passing_does_not_count_and_uses_the_request_up(after_s: float) -> None:
    console = asked()
    answer = console.key(100.0 + after_s, "y", LOCKED, [])
    assert answer is not None
    assert answer.act is None
    assert "too quick" in answer.text
    later = console.key(102.0, "y", LOCKED, [])
    assert later is not None
    assert later.act is None


def test_a_word_typed_or_pasted_into_the_terminal_never_arms() -> None:
    for text in ("play", "a day", "ay", "yay"):
        console = Console()
        for number, key in enumerate(text):
            answer = console.key(100.0 + number * 0.03, key, LOCKED, [])
            assert answer is None or answer.act is not Command.ARM


def test_a_late_confirmation_uses_the_request_up() -> None:
    console = asked()
    console.key(106.0, "y", LOCKED, [])
    again = console.key(106.1, "y", LOCKED, [])
    assert again is not None
    assert again.act is None
    assert "nothing to confirm" in again.text


def test_one_request_arms_once() -> None:
    console = asked()
    assert act(console.key(101.0, "y", LOCKED, [])) is Command.ARM
    assert act(console.key(101.1, "y", LOCKED, [])) is None


def test_a_confirmation_alone_does_nothing() -> None:
    answer = Console().key(1.0, "y", LOCKED, [])
    assert answer is not None
    assert answer.act is None
    assert "ask to arm first" in answer.text


def test_asking_twice_counts_from_the_second_time() -> None:
    console = asked()
    assert act(console.key(104.0, "a", LOCKED, [])) is None
    assert act(console.key(108.0, "y", LOCKED, [])) is Command.ARM


@pytest.mark.parametrize("key", [k for k in KEYS if KEYS[k] not in (Command.ARM, Command.CONFIRM)])
def test_any_other_command_takes_the_request_back(key: str) -> None:
    console = asked()
    console.key(101.0, key, LOCKED, [])
    assert act(console.key(101.1, "y", LOCKED, [])) is None


@pytest.mark.parametrize("key", ["x", "7", "\n", "\t", "ä", "[", "\x00"])
def test_a_key_without_meaning_takes_the_request_back(key: str) -> None:
    console = asked()
    answer = console.key(101.0, key, LOCKED, [])
    assert answer == Answer(None, "arming taken back")
    assert act(console.key(101.1, "y", LOCKED, [])) is None
    assert console.key(101.2, key, LOCKED, []) is None


def test_a_word_without_meaning_takes_the_request_back() -> None:
    console = asked()
    answer = console.word(101.0, "armm", LOCKED, [])
    assert answer.act is None
    assert "'armm' is no command" in answer.text
    assert "arming taken back" in answer.text
    for command in Command:
        assert command.value in answer.text
    assert act(console.key(101.1, "y", LOCKED, [])) is None


def test_a_request_can_be_taken_back_from_outside() -> None:
    console = asked()
    assert console.take_back()
    assert not console.take_back()
    assert act(console.key(101.0, "y", LOCKED, [])) is None


def test_open_conditions_are_named_and_nothing_is_asked() -> None:
    console = Console()
    answer = console.key(1.0, "a", LOCKED, OPEN)
    assert answer == Answer(None, f"not yet: {OPEN[0]} · {OPEN[1]} {NOT_SAFE}")
    assert act(console.key(1.1, "y", LOCKED, [])) is None


def test_open_conditions_take_an_earlier_request_back() -> None:
    console = asked()
    console.key(101.0, "a", LOCKED, OPEN)
    assert act(console.key(101.1, "y", LOCKED, [])) is None


@pytest.mark.parametrize("key", [" ", "\x1b"])
@pytest.mark.parametrize("conditions", [[], OPEN])
def test_space_and_escape_stop_always(key: str, conditions: list[str]) -> None:
    assert act(Console().key(1.0, key, LOCKED, conditions)) is Command.STOP
    assert act(asked().key(101.0, key, LOCKED, conditions)) is Command.STOP


@pytest.mark.parametrize("word", ["stop", "STOP", " stop\r"])
def test_the_word_stop_stops_always(word: str) -> None:
    assert Console().word(1.0, word, LOCKED, OPEN).act is Command.STOP
    assert asked().word(101.0, word, LOCKED, []).act is Command.STOP


@pytest.mark.parametrize(
    ("command", "states"),
    [
        (Command.STOP, tuple(State)),
        (Command.DISARM, (ARMING, ARMED)),
        (Command.HUSH, tuple(State)),
        (Command.RESET, (TRIPPED,)),
        (Command.STATUS, tuple(State)),
        (Command.QUIT, tuple(State)),
    ],
)
def test_every_other_word_is_its_own_act_where_it_can_do_something(
    command: Command, states: tuple[State, ...]
) -> None:
    for state in State:
        answer = Console().word(1.0, command.value, state, OPEN)
        assert answer.act is (command if state in states else None)
        assert answer.text


@pytest.mark.parametrize(
    ("key", "state", "told"),
    [
        ("a", ARMED, "already armed"),
        ("a", ARMING, "already arming"),
        ("y", ARMED, "nothing to confirm: ask to arm first"),
        ("y", LOCKED, "nothing to confirm: ask to arm first"),
        ("d", LOCKED, f"locked already. {NOT_SAFE}"),
        ("d", TRIPPED, f"tripped: it takes a reset, not a disarm. {NOT_SAFE}"),
        ("r", LOCKED, f"locked, and no trip to reset. {NOT_SAFE}"),
        ("r", ARMED, "armed: no trip to reset; disarm or stop instead"),
        ("r", ARMING, "arming: no trip to reset; disarm or stop instead"),
    ],
)
def test_a_key_that_can_do_nothing_says_why(key: str, state: State, told: str) -> None:
    assert Console().key(1.0, key, state, []) == Answer(None, told)


def test_the_question_waits_until_it_is_answered_or_its_time_is_over() -> None:
    assert Console().question(1.0) == ""
    console = asked()
    assert console.question(100.0) == QUESTION
    latest = 100.0 + CONFIRM_WITHIN_S
    assert console.question(latest) == QUESTION
    assert console.question(math.nextafter(latest, math.inf)) == ""
    console.key(101.0, "x", LOCKED, [])
    assert console.question(101.0) == ""


def test_capital_letters_are_the_same_keys() -> None:
    console = Console()
    console.key(1.0, "A", LOCKED, [])
    assert act(console.key(2.0, "Y", LOCKED, [])) is Command.ARM


@pytest.mark.parametrize("state", State)
def test_no_single_key_or_word_arms(state: State) -> None:
    for code in range(256):
        assert act(Console().key(1.0, chr(code), state, [])) is not Command.ARM
    for command in Command:
        assert Console().word(1.0, command.value, state, []).act is not Command.ARM


@pytest.mark.parametrize("key", ["q", "\x03", "\x1c"])
def test_what_would_end_or_kill_elsewhere_stops_and_leaves(key: str) -> None:
    assert act(Console().key(1.0, key, ARMED, [])) is Command.QUIT


def test_the_help_line_names_every_letter() -> None:
    for key in KEYS:
        if key.isalpha():
            assert f" {key} " in f" {KEY_HELP} "
    assert "space STOP" in KEY_HELP
