"""The operator's terminal: what is shown, and single keys or whole words taken as commands.

On a terminal: a live picture, and one key is one command; the space bar stops. Elsewhere ("plain"):
a line for everything that happens, and one word a line is one command, for scripts and tests.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from collections import deque
from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

from bridge.clocks import HostS
from bridge.console import KEY_HELP, Command, Console
from bridge.engine import Act
from bridge.host_clock import host_now
from bridge.interlock import NOT_SAFE, Cause, State
from bridge.journal.journal import OFF, Journal
from bridge.outlet import Outlet
from bridge.own_words import OwnWord, key_help
from bridge.painter import Painter
from bridge.picture import picture
from bridge.record_line import record_line
from bridge.records import InputChanged, InterlockChanged, Record
from bridge.service import Service
from bridge.tty_input import read_input, read_words, single_keys
from bridge.view import SiteView, open_conditions, site_view
from bridge.watcher import Watcher

PICTURE_S = 0.17
LINES_KEPT = 30
TERMINAL = "terminal"
"""Who does what is done here, as the record of it says."""

Extra = Callable[[str], str | None]
"""Takes a key or word of a command's own; answers with a line, or None if it is not one."""


class Said(NamedTuple):
    """One line for the operator."""

    clock: str
    """Local time of day, HH:MM:SS."""
    text: str


class Operator(Watcher):
    """Takes the operator's words to the service and keeps the last lines to show."""

    def __init__(
        self, service: Service, extra: Extra | None = None, own_words: Sequence[OwnWord] = ()
    ) -> None:
        """own_words: what `extra` takes, as the operator is told."""
        self.service = service
        self.lines: deque[Said] = deque(maxlen=LINES_KEPT)
        self.print_line: Callable[[str, bool], None] = lambda line, keep: None
        """Gets every line as it is said, and whether it must not be lost."""
        self.journal: Journal | None = None
        self.own_words = own_words
        self._console = Console(own_words)
        self._extra = extra
        self._input_texts: dict[str, str] = {}

    def recorded(self, at_s: HostS, record: Record) -> None:
        if isinstance(record, InputChanged):
            # What stays as it is need not be said at every try to change it.
            if self._input_texts.get(record.input_name) == record.text:
                return
            self._input_texts[record.input_name] = record.text
        line = record_line(record)
        if line is not None:
            self.say(line, keep=isinstance(record, InterlockChanged))

    def say(self, line: str, *, keep: bool = False) -> None:
        if self.lines and self.lines[-1].text == line:  # once more: only its time is new
            self.lines.pop()
        self.lines.append(Said(time.strftime("%H:%M:%S"), line))
        self.print_line(line, keep)

    def view(self) -> SiteView:
        midi = self.service.midi
        journal = self.journal.state if self.journal else OFF
        return site_view(self.service.engine, host_now(), midi.status if midi else None, journal)

    def question(self) -> str:
        """What waits for the operator's answer, or ""."""
        return self._console.question(host_now())

    def input_ended(self) -> None:
        """The terminal or the connection is gone: nobody can stop an armed site from here."""
        if self.service.engine.interlock.state in (State.ARMING, State.ARMED):
            self.service.stop(Cause.OPERATOR_STOP, "the operator's input ended", TERMINAL)

    def key(self, key: str) -> None:
        """One key press. A stop needs nothing else to have worked."""
        if key in {" ", "\x1b"}:
            self._stop()
        elif not self._own(key):
            answer = self._console.key(host_now(), key, self._state, self._open_conditions())
            if answer is not None:
                self._do(answer.act, answer.text)

    def word(self, word: str) -> None:
        """One line of plain input."""
        if word.strip().lower() == "stop":
            self._stop()
        elif not self._own(word.strip()):
            conditions = self._open_conditions()
            answer = self._console.word(host_now(), word, self._state, conditions)
            self._do(answer.act, answer.text)

    @property
    def _state(self) -> State:
        return self.service.engine.interlock.state

    def _stop(self) -> None:
        before = self._state
        self.service.stop(Cause.OPERATOR_STOP, by=TERMINAL)
        self._console.take_back()
        if before is State.TRIPPED:
            self.say(f"stop: tripped already. {NOT_SAFE}")

    def _own(self, said: str) -> bool:
        """True where the command's own keys and words took it."""
        answer = None if self._extra is None else self._extra(said)
        if answer is None:
            return False
        if isinstance(answer, StoppingAnswer):  # before anything else that may fail
            self.service.stop(Cause.OPERATOR_STOP, answer)
        self._console.take_back()
        self.service.source_changed()
        if answer:
            self.say(answer)
        return True

    def _open_conditions(self) -> tuple[str, ...]:
        return open_conditions(self.service.engine, host_now())

    def _do(self, command: Command | None, text: str) -> None:
        match command:
            case None:
                self.say(text)
            case Command.STOP:
                self._stop()
            case Command.ARM | Command.CONFIRM:
                self.service.act(Act.ARM, TERMINAL)
            case Command.DISARM:
                self.service.act(Act.DISARM, TERMINAL)
            case Command.HUSH:
                self.service.act(Act.HUSH, TERMINAL)
                self.say("hush: all notes off")
            case Command.RESET:
                self.service.act(Act.RESET, TERMINAL)
            case Command.STATUS:
                self.print_line(json.dumps(self.view().as_json()), False)
            case Command.QUIT:
                self.service.leave()


class StoppingAnswer(str):
    """An answer of a command's own key or word that stops the site as well; why: its text."""


async def operate(operator: Operator, *, plain: bool) -> None:
    """Shows the site and takes commands until cancelled. Raises what keeps it from showing."""
    if plain:
        await _operate_by_words(operator)
    else:
        own = key_help(operator.own_words)
        await _operate_by_keys(operator, KEY_HELP + (f" · {own}" if own else ""))


async def _operate_by_words(operator: Operator) -> None:
    def stamped(line: str) -> str:
        return f"{host_now():.3f} {line}"

    outlet = Outlet(
        sys.stdout.fileno(),
        left_out=lambda count: stamped(f"{count} lines are missing here: nobody read them in time"),
    )

    def print_line(line: str, keep: bool) -> None:
        outlet.say(stamped(line), keep=keep)

    operator.print_line = print_line
    for _, text in operator.lines:
        print_line(text, False)
    try:
        with read_words(True, {}, operator.word, operator.input_ended):
            await asyncio.Event().wait()
    finally:
        outlet.close()


async def _operate_by_keys(operator: Operator, help_line: str) -> None:
    def on_text(text: str) -> None:
        # An arrow or function key sends Escape and more: still a stop, the safe reading.
        for key in text:
            operator.key(key)

    with single_keys(sys.stdin.fileno()):
        end = read_input(on_text, operator.input_ended)
        painter = Painter(sys.stdout.fileno())
        try:
            while painter.failure is None:
                lines = [f"{clock} {text}" for clock, text in operator.lines]
                # Making and drawing it takes some 10 ms: not on the loop, where music and stop run.
                painter.paint(
                    partial(picture, operator.view(), lines, help_line, operator.question())
                )
                await asyncio.sleep(PICTURE_S)
            raise painter.failure
        finally:
            end()
            painter.close()
