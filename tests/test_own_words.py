"""What a command takes beside the site's own words is what it tells, on a terminal and plainly."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Callable, Coroutine
from pathlib import Path
from types import ModuleType
from typing import Any, cast

import pytest

from bridge import bang, click, commission
from bridge.config import Config
from bridge.console import KEYS, Command
from bridge.own_words import OwnWord, find, key_help, word_help
from bridge.service import Service
from bridge.show import perform
from bridge.show.player import Item
from bridge.show.show_file import Show
from bridge.show.show_source import Playing
from bridge.stops import prove
from bridge.terminal import Operator
from tests.chain.rig import coil, site
from tests.coil.parts import coil as coil_with_tank
from tests.show.stage import score_of
from tests.test_terminal import FakeService

Given = dict[str, Any]
"""What a command hands to the site."""


def with_tank() -> Config:
    config = site([coil("Larkspur", "North", 1)])
    one = coil_with_tank().model_copy(update={"controller": "North", "output": 1})
    return config.model_copy(update={"coil": (one,)})


def show() -> Show:
    item = Item("One", score_of([(0.0, 60, 1)]), countdown_s=2.0)
    return Show("Lantern night", (item,), (Playing(),), (), None, ())


def begin_bang(plain: bool) -> None:
    bang.run(
        site([coil("Larkspur", "North", 1)]), "Larkspur", count=1, break_rate_hz=50, plain=plain
    )


def begin_click(plain: bool) -> None:
    click.run(site([coil("Larkspur", "North", 1)]), device=None, plain=plain)


def begin_commission(plain: bool) -> None:
    config, name = with_tank(), with_tank().coil[0].name
    path = Path("readings.csv")
    commission.run(config, name, break_rate_hz=50, with_arc=False, readings=path, plain=plain)


def begin_prove(plain: bool) -> None:
    prove.run(site([coil("Larkspur", "North", 1)]), plain=plain)


def begin_show(plain: bool) -> None:
    perform.run(site([coil("Larkspur", "North", 1)]), show(), plain=plain)


COMMANDS: dict[str, tuple[ModuleType, Callable[[bool], None]]] = {
    "bang": (bang, begin_bang),
    "click": (click, begin_click),
    "commission": (commission, begin_commission),
    "prove-stop": (prove, begin_prove),
    "show": (perform, begin_show),
}
INSTEAD = {"BAR": "2", "[BAR]": "2", "NUMBER": "1", "AMPERES": "600", "": ""}


class FakeClicks:
    """No device and no process."""

    missing = "none here"

    def __init__(self, device: str | None) -> None:
        pass

    async def open(self, folder: Path) -> str:
        return "Depot"

    async def close(self) -> None:
        pass


def given(name: str, monkeypatch: pytest.MonkeyPatch, *, plain: bool) -> Given:
    """What the command hands to the site, which is none here."""
    module, begin = COMMANDS[name]
    found: list[Given] = []

    async def no_site(*_: Any, **handed: Any) -> int:
        found.append(handed)
        return 2

    def once(coroutine: Coroutine[Any, Any, int]) -> int:
        with pytest.raises(StopIteration) as ended:
            coroutine.send(None)
        return cast(int, ended.value.value)

    monkeypatch.setattr(module, "run_site", no_site)
    monkeypatch.setattr(module.loop, "run", once)
    monkeypatch.setattr(click, "Clicks", FakeClicks)
    begin(plain)
    [handed] = found
    return handed


def unknown(handed: Given, said: str) -> str:
    """What the operator is answered."""
    operator = Operator(cast(Service, FakeService()), handed["extra"], handed["own_words"])
    operator.word(said)
    return operator.lines[-1].text


@pytest.mark.parametrize("name", COMMANDS)
def test_all_that_is_told_works_and_all_that_works_is_told(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that works: of every text in the command's own source, whole and its words."""
    handed = given(name, monkeypatch, plain=True)
    extra, own = handed["extra"], handed["own_words"]
    assert own
    for word in own:
        assert extra(f"{word.word} {INSTEAD[word.takes]}".strip()) is not None, word
        if len(word.key) == 1:
            assert extra(word.key) is not None, word
    told = {w.word for w in own} | {w.key for w in own if w.key}
    for node in ast.walk(ast.parse(inspect.getsource(COMMANDS[name][0]))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            for said in (node.value, *node.value.split()):
                line = said.strip()
                # The digits of a reading, a key each, are one thing with its word.
                if line and line.isprintable() and line[0] not in "0123456789.":
                    assert extra(line) is None or line.lower().split()[0] in told, line


@pytest.mark.parametrize("name", COMMANDS)
def test_an_unknown_word_is_answered_with_every_word_there_is(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed = given(name, monkeypatch, plain=True)
    answer = unknown(handed, "wander")
    words = answer.removeprefix("'wander' is no command; there are: ").split(", ")
    wanted = [f"{w.word} {w.takes}".strip() for w in handed["own_words"]]
    assert words == [*wanted, *(c.value for c in Command)]


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("plain", [True, False])
def test_what_is_told_at_the_beginning_is_what_can_be_typed_there(
    name: str, plain: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Words cannot be typed where each key is a command; a key is no line."""
    handed = given(name, monkeypatch, plain=plain)
    own, greeting = handed["own_words"], handed["greeting"]
    if name != "prove-stop":  # whose greeting is the way itself; its key is on the help line
        assert (word_help(own) if plain else key_help(own)) in greeting
    assert all(w.word.isalpha() for w in own)
    for word in own:
        assert f"{word.key} {word.says or word.word}" in key_help(own) or not word.key


@pytest.mark.parametrize("name", COMMANDS)
def test_no_word_or_key_of_a_command_hides_one_of_the_sites(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A command's own come first: a stop, a disarm, a leave must not be among them."""
    own = given(name, monkeypatch, plain=True)["own_words"]
    assert not {w.word for w in own} & {c.value for c in Command}
    assert not {w.key for w in own} & set(KEYS)
    for said in [*KEYS, *(c.value for c in Command)]:
        assert find(own, said) == ("", "")


def test_a_word_is_found_by_its_key_and_with_what_follows() -> None:
    words = (OwnWord("resume", "b", "from the bar again", "[BAR]"), OwnWord("item", takes="NUMBER"))
    assert find(words, "resume 3") == find(words, " b  3 ") == ("resume", "3")
    assert find(words, "b") == ("resume", "")
    for nothing in ("", " ", "\n", "bar", "resume3", "resum"):
        assert find(words, nothing) == ("", "")
    assert key_help(words) == "b from the bar again"
    assert word_help(words) == "resume [BAR], item NUMBER"
