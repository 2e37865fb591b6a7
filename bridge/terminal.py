"""The operator's terminal: what is shown, and single keys or whole words taken as commands.

On a terminal: a live picture, and one key is one command; the space bar stops. Elsewhere ("plain"):
a line for everything that happens, and one word a line is one command, for scripts and tests.
"""

from __future__ import annotations

import asyncio
import codecs
import contextlib
import json
import os
import sys
import termios
import time
import tty
from collections.abc import Callable, Generator, Mapping

from rich.console import Console as RichConsole
from rich.console import Group
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from bridge.console import KEY_HELP, Command, Console
from bridge.engine import Act
from bridge.interlock import CAUSES, NOT_SAFE, Cause, State
from bridge.records import (
    ArmDenied,
    HeldBackChanged,
    InputChanged,
    InterlockChanged,
    LatchChanged,
    LinkChanged,
    Record,
    Remark,
    ResetDenied,
)
from bridge.service import Service
from bridge.view import SiteView, site_view

# IEC 60073: red danger, yellow abnormal, blue action required, white neutral; never colour alone.
# Armed is the dangerous state. Locked and tripped are never green: the bus stays charged.
STATE_LOOK = {
    State.LOCKED: ("white", "□ LOCKED"),
    State.ARMING: ("yellow", "◇ ARMING"),
    State.ARMED: ("bold red", "⚠ ARMED"),
    State.TRIPPED: ("bold yellow", "▲ TRIPPED"),
}
PICTURE_S = 0.17

Extra = Callable[[str], str | None]
"""Takes a key or word of a command's own; answers with a line, or None if it is not one."""


def record_line(record: Record) -> str | None:
    """One record as a line; None for what needs no line."""
    match record:
        case InterlockChanged(change):
            line = f"{change.before.value} → {change.after.value}"
            if change.trip is not None:
                trip = change.trip
                text = CAUSES[trip.cause]
                where = f" ({trip.origin})" if trip.origin else ""
                detail = f" [{trip.detail}]" if trip.detail else ""
                line += f": trip {trip.number}, cause {int(trip.cause)}{where}: "
                line += f"{text.sentence}{detail} {text.remedy}"
            if change.after is State.ARMED:
                return line
            return f"{line} {NOT_SAFE}" if change.trip is not None else f"{line}. {NOT_SAFE}"
        case ArmDenied(failed):
            return "not armed: " + "; ".join(failed) + f". {NOT_SAFE}"
        case ResetDenied(reasons):
            return "not reset: " + "; ".join(reasons) + f". {NOT_SAFE}"
        case LinkChanged(controller, text):
            return f"{controller}: {text}"
        case InputChanged(name, text):
            return f"input {name}: {text}"
        case Remark(source, text):
            return f"{source}: {text}"
        case LatchChanged() | HeldBackChanged():  # the picture shows what is held back
            return None


class Operator:
    """Takes the operator's words to the service and keeps the last lines to show."""

    def __init__(self, service: Service, extra: Extra | None = None) -> None:
        self.service = service
        self.lines: list[str] = []
        self.print_line: Callable[[str], None] = lambda line: None
        self._console = Console()
        self._extra = extra

    def on_record(self, at_s: float, record: Record) -> None:
        line = record_line(record)
        if line is not None:
            self.say(line)

    def say(self, line: str) -> None:
        self.lines = [*self.lines[-30:], line]
        self.print_line(line)

    def view(self) -> SiteView:
        return site_view(self.service.engine, time.monotonic())

    def input_ended(self) -> None:
        """The terminal or the connection is gone: nobody can stop an armed site from here."""
        if self.service.engine.interlock.state in (State.ARMING, State.ARMED):
            self.service.stop(Cause.OPERATOR_STOP, "the operator's input ended")

    def key(self, key: str) -> None:
        """One key press. A stop needs nothing else to have worked."""
        if key in {" ", "\x1b"}:
            self._stop()
        elif not self._own(key):
            answer = self._console.key(time.monotonic(), key, self._open_conditions())
            if answer is not None:
                self._do(answer.act, answer.text)

    def word(self, word: str) -> None:
        """One line of plain input."""
        if word.strip().lower() == "stop":
            self._stop()
        elif not self._own(word.strip()):
            answer = self._console.word(time.monotonic(), word, self._open_conditions())
            self._do(answer.act, answer.text)

    def _stop(self) -> None:
        self._console.take_back()
        self.service.stop(Cause.OPERATOR_STOP)

    def _own(self, said: str) -> bool:
        """True where the command's own keys and words took it."""
        answer = None if self._extra is None else self._extra(said)
        if answer is None:
            return False
        self._console.take_back()
        self.service.source_changed()
        if answer:
            self.say(answer)
        return True

    def _open_conditions(self) -> list[str]:
        checks = self.service.engine.checks(time.monotonic())
        return [f"{c.name}: {c.found}. {c.remedy}" for c in checks if not c.passed]

    def _do(self, command: Command | None, text: str) -> None:
        match command:
            case None:
                self.say(text)
            case Command.STOP:
                self._stop()
            case Command.ARM | Command.CONFIRM:
                self.service.act(Act.ARM)
            case Command.DISARM:
                self.service.act(Act.DISARM)
            case Command.HUSH:
                self.service.act(Act.HUSH)
                self.say("hush: all notes off")
            case Command.RESET:
                self.service.act(Act.RESET)
            case Command.STATUS:
                self.print_line(json.dumps(self.view().as_json()))
            case Command.QUIT:
                self.service.leave()


def picture(view: SiteView, lines: list[str], help_line: str) -> Group:
    """The live picture."""
    style, word = STATE_LOOK[State(view.state)]
    head = Text(f" {word} ", style=f"{style} reverse")
    head.append(f"  {view.site}", style="bold")
    parts: list[Text | Table | Panel] = [head]
    # What the keys do comes first: a small terminal cuts the picture at its foot.
    parts.append(Text(help_line, style="reverse"))
    if view.caution:
        parts.append(Text(view.caution, style="yellow"))
    if view.state == State.ARMING.value:
        parts.append(Text("the horn sounds: coils go live in a moment. Space STOPS.", style="bold"))
    elif view.state == State.LOCKED.value and not view.open_conditions:
        parts.append(Text("ready to arm: press a, read, then y", style="blue"))
    if view.trip:
        parts.append(Panel(Text(f"{view.trip}\n{view.remedy}"), title="tripped", style="yellow"))
    if view.open_conditions:
        todo = Text("before arming:", style="blue")
        for condition in view.open_conditions:
            todo.append(f"\n  ○ {condition}")
        parts.append(todo)
    coils = Table(expand=True)
    for heading in ("coil", "sounding", "limits in use", "held back"):
        coils.add_column(heading)
    for coil in view.coils:
        coils.add_row(
            coil.name,
            "  ".join(f"{r:.1f} Hz {o:.0f} µs" for r, o in coil.voices) or "·",
            "  ".join(f"{n} {v:.0%}" for n, v in coil.meters.items()),
            "; ".join(coil.held_back),
        )
    parts.append(coils)
    links = Table(expand=True)
    for heading in ("controller", "link", "status", "clock", "receive errors", "guard", "pulses"):
        links.add_column(heading)
    for link in view.links:
        links.add_row(
            link.name,
            link.text,
            f"{link.status_age_ms:.0f} ms",
            f"{link.clock_ppm:+.0f} ppm",
            f"{link.bad_frames} ({link.line_errors_in_bangs} in bangs)",
            f"{link.guard_refusals} refused",
            f"{link.pulses} ({link.collisions_dropped} collided)",
        )
    parts.append(links)
    for remark in view.remarks:
        parts.append(Text(f"note: {remark}", style="dim"))
    parts.append(Text("\n".join(lines[-6:])))
    return Group(*parts)


@contextlib.contextmanager
def _single_keys(descriptor: int) -> Generator[None]:
    before = termios.tcgetattr(descriptor)
    tty.setcbreak(descriptor)
    try:
        yield
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def _read_input(
    on_text: Callable[[str], None], on_end: Callable[[], None] = lambda: None
) -> Callable[[], None]:
    """Starts reading standard input without blocking; returns what ends it."""
    loop = asyncio.get_running_loop()
    descriptor = sys.stdin.fileno()
    decoder = codecs.getincrementaldecoder("utf-8")("replace")

    def on_readable() -> None:
        try:
            data = os.read(descriptor, 4096)
        except OSError:
            data = b""
        if data:
            on_text(decoder.decode(data))
        else:  # nothing more will be said
            loop.remove_reader(descriptor)
            on_end()

    try:
        loop.add_reader(descriptor, on_readable)
    except PermissionError:  # a file or /dev/null cannot be waited for, and has nothing to say
        return lambda: None

    def end() -> None:
        loop.remove_reader(descriptor)

    return end


@contextlib.contextmanager
def read_words(
    plain: bool,
    keys: Mapping[str, str],
    on_word: Callable[[str], None],
    on_end: Callable[[], None] = lambda: None,
) -> Generator[None]:
    """Single keys (translated by `keys`) or whole lines of standard input, as words."""
    pending = ""

    def on_keys(text: str) -> None:
        for key in text:
            if (word := keys.get(key)) is not None:
                on_word(word)

    def on_lines(text: str) -> None:
        nonlocal pending
        *words, pending = (pending + text).split("\n")
        for word in words:
            if word.strip():
                on_word(word.strip())

    with contextlib.ExitStack() as stack:
        if not plain:
            stack.enter_context(_single_keys(sys.stdin.fileno()))
        stack.callback(_read_input(on_lines if plain else on_keys, on_end))
        yield


def _draw(live: Live, view: SiteView, lines: list[str], help_line: str) -> None:
    live.update(picture(view, lines, help_line), refresh=True)


async def operate(operator: Operator, *, plain: bool, extra_help: str = "") -> None:
    """Shows the site and takes commands until cancelled."""
    if plain:
        operator.print_line = lambda line: print(f"{time.monotonic():.3f} {line}", flush=True)
        for line in operator.lines:
            operator.print_line(line)
        with read_words(True, {}, operator.word, operator.input_ended):
            await asyncio.Event().wait()
    help_line = KEY_HELP + (f" · {extra_help}" if extra_help else "")
    with _single_keys(sys.stdin.fileno()):

        def on_text(text: str) -> None:
            # An arrow or function key sends Escape and more: still a stop, the safe reading.
            for key in text:
                operator.key(key)

        end = _read_input(on_text, operator.input_ended)
        try:
            with Live(console=RichConsole(), auto_refresh=False, screen=True) as live:
                while True:
                    view, lines = operator.view(), operator.lines
                    # Drawing takes some 10 ms: not on the loop, where music and stop run.
                    await asyncio.to_thread(_draw, live, view, lines, help_line)
                    await asyncio.sleep(PICTURE_S)
        finally:
            end()
