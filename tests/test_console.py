"""The operator's words and keys: arming in two steps, stop in one, always."""

from __future__ import annotations

import math

import pytest

from bridge.console import (
    CONFIRM_AFTER_S,
    CONFIRM_WITHIN_S,
    KEY_HELP,
    KEYS,
    Answer,
    Command,
    Console,
)

OPEN = ["North rack: key: off", "no note held: a key or pedal is held"]


def asked(at_s: float = 100.0) -> Console:
    console = Console()
    answer = console.key(at_s, "a", [])
    assert answer is not None
    assert answer.act is None
    return console


def act(answer: Answer | None) -> Command | None:
    return None if answer is None else answer.act


def test_arming_takes_two_steps() -> None:
    console = asked()
    assert act(console.key(102.0, "y", [])) is Command.ARM


def test_words_arm_in_the_same_two_steps() -> None:
    console = Console()
    first = console.word(1.0, "arm", [])
    assert first.act is None
    assert "Confirm within 5 s" in first.text
    assert console.word(2.0, " Confirm \n", []).act is Command.ARM


def test_a_request_is_good_for_exactly_its_time() -> None:
    latest = 100.0 + CONFIRM_WITHIN_S
    assert act(asked().key(latest, "y", [])) is Command.ARM
    late = asked().key(math.nextafter(latest, math.inf), "y", [])
    assert late is not None
    assert late.act is None
    assert "too late" in late.text


@pytest.mark.parametrize("after_s", [0.0, 0.05, CONFIRM_AFTER_S - 1e-9])
def test_a_confirmation_in_passing_does_not_count_and_uses_the_request_up(after_s: float) -> None:
    console = asked()
    answer = console.key(100.0 + after_s, "y", [])
    assert answer is not None
    assert answer.act is None
    assert "too quick" in answer.text
    later = console.key(102.0, "y", [])
    assert later is not None
    assert later.act is None


def test_a_word_typed_or_pasted_into_the_terminal_never_arms() -> None:
    for text in ("play", "a day", "ay", "yay"):
        console = Console()
        for number, key in enumerate(text):
            answer = console.key(100.0 + number * 0.03, key, [])
            assert answer is None or answer.act is not Command.ARM


def test_a_late_confirmation_uses_the_request_up() -> None:
    console = asked()
    console.key(106.0, "y", [])
    again = console.key(106.1, "y", [])
    assert again is not None
    assert again.act is None
    assert "nothing to confirm" in again.text


def test_one_request_arms_once() -> None:
    console = asked()
    assert act(console.key(101.0, "y", [])) is Command.ARM
    assert act(console.key(101.1, "y", [])) is None


def test_a_confirmation_alone_does_nothing() -> None:
    answer = Console().key(1.0, "y", [])
    assert answer is not None
    assert answer.act is None
    assert "ask to arm first" in answer.text


def test_asking_twice_counts_from_the_second_time() -> None:
    console = asked()
    assert act(console.key(104.0, "a", [])) is None
    assert act(console.key(108.0, "y", [])) is Command.ARM


@pytest.mark.parametrize("key", [k for k in KEYS if KEYS[k] not in (Command.ARM, Command.CONFIRM)])
def test_any_other_command_takes_the_request_back(key: str) -> None:
    console = asked()
    assert act(console.key(101.0, key, [])) is KEYS[key]
    assert act(console.key(101.1, "y", [])) is None


@pytest.mark.parametrize("key", ["x", "7", "\n", "\t", "ä", "[", "\x00"])
def test_a_key_without_meaning_takes_the_request_back(key: str) -> None:
    console = asked()
    answer = console.key(101.0, key, [])
    assert answer == Answer(None, "arming taken back")
    assert act(console.key(101.1, "y", [])) is None
    assert console.key(101.2, key, []) is None


def test_a_word_without_meaning_takes_the_request_back() -> None:
    console = asked()
    answer = console.word(101.0, "armm", [])
    assert answer.act is None
    assert "'armm' is no command" in answer.text
    assert "arming taken back" in answer.text
    for command in Command:
        assert command.value in answer.text
    assert act(console.key(101.1, "y", [])) is None


def test_a_request_can_be_taken_back_from_outside() -> None:
    console = asked()
    assert console.take_back()
    assert not console.take_back()
    assert act(console.key(101.0, "y", [])) is None


def test_open_conditions_are_named_and_nothing_is_asked() -> None:
    console = Console()
    answer = console.key(1.0, "a", OPEN)
    assert answer == Answer(None, "not yet: " + "; ".join(OPEN))
    assert act(console.key(1.1, "y", [])) is None


def test_open_conditions_take_an_earlier_request_back() -> None:
    console = asked()
    console.key(101.0, "a", OPEN)
    assert act(console.key(101.1, "y", [])) is None


@pytest.mark.parametrize("key", [" ", "\x1b"])
@pytest.mark.parametrize("conditions", [[], OPEN])
def test_space_and_escape_stop_always(key: str, conditions: list[str]) -> None:
    assert act(Console().key(1.0, key, conditions)) is Command.STOP
    assert act(asked().key(101.0, key, conditions)) is Command.STOP


@pytest.mark.parametrize("word", ["stop", "STOP", " stop\r"])
def test_the_word_stop_stops_always(word: str) -> None:
    assert Console().word(1.0, word, OPEN).act is Command.STOP
    assert asked().word(101.0, word, []).act is Command.STOP


@pytest.mark.parametrize("command", [c for c in Command if c not in (Command.ARM, Command.CONFIRM)])
def test_every_other_word_is_its_own_act(command: Command) -> None:
    assert Console().word(1.0, command.value, OPEN).act is command


def test_capital_letters_are_the_same_keys() -> None:
    console = Console()
    console.key(1.0, "A", [])
    assert act(console.key(2.0, "Y", [])) is Command.ARM


def test_no_single_key_or_word_arms() -> None:
    for code in range(256):
        assert act(Console().key(1.0, chr(code), [])) is not Command.ARM
    for command in Command:
        assert Console().word(1.0, command.value, []).act is not Command.ARM


def test_the_help_line_names_every_letter() -> None:
    for key in KEYS:
        if key.isalpha():
            assert f" {key} " in f" {KEY_HELP} "
    assert "space STOP" in KEY_HELP
