"""`coilwarden simulate`: one simulated controller on a pty, with a hand on its switches."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from io import TextIOBase
from pathlib import Path

from bridge import loop
from bridge.checks import cause_name, state_name
from bridge.interlock import NOT_SAFE
from bridge.link.line_noise import LineNoise
from bridge.link.simulated_board import SimulatedBoard
from bridge.link.simulated_controller import SimulatedController
from bridge.link.simulated_memory import load_memory
from bridge.link.simulated_settings import BoardSettings, Pulse
from bridge.outlet import Outlet
from bridge.sound.listen import Bang, Listening, bang_by_square_law
from bridge.tty_input import LEAVE_KEYS, read_words
from firmware_protocol.catalogue import ResetCause
from firmware_protocol.catalogue import State as BoardState

WORDS = {
    "e": "estop",
    "p": "prove",
    "k": "key",
    "l": "local",
    "x": "watchdog",
    "b": "brownout",
    **dict.fromkeys(LEAVE_KEYS, "quit"),
}
HELP = (
    "e press/release the emergency stop · p prove it (press and release) · k key on/off · "
    "l press/release the local stop · x watchdog reset · b brown-out · q quit"
)
PTYS = ("/dev/pts/", "/dev/ttys")
"""Where Linux and macOS keep them."""
PLAIN_HELP = "words: " + ", ".join(dict.fromkeys(WORDS.values()))


class SettingsError(Exception):
    """Settings that cannot be used; the text says which and why."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the command line gave."""

    link: Path
    board_id: str
    baud: int
    clock_error_ppm: float
    horn_ms: int
    memory: Path | None
    pulses: Path | None
    loss: float
    bursts: float
    seed: int
    listen: bool = False


class Switches:
    """A hand on the board's switches: words → what they do."""

    def __init__(self, board: SimulatedBoard, leave: Callable[[], None]) -> None:
        self._board = board
        self._leave = leave
        self._pressed = self._local = False
        self._key = True
        self._proof: asyncio.Task[None] | None = None

    def word(self, word: str) -> str:
        """Does one word; answers with a line."""
        match word:
            case "estop":
                self._pressed = not self._pressed
                if self._pressed:
                    self._board.press_estop()
                else:
                    self._board.release_estop()
                return "emergency stop " + ("pressed" if self._pressed else "released")
            case "prove":
                self._pressed = False
                self._proof = asyncio.get_running_loop().create_task(self._board.prove_estop())
                return "emergency stop pressed and released"
            case "key":
                self._key = not self._key
                self._board.key(self._key)
                return "key " + ("on" if self._key else "off")
            case "local":
                self._local = not self._local
                self._board.local_stop(self._local)
                return "local stop " + ("pressed" if self._local else "released")
            case "watchdog":
                self._board.reset(ResetCause.WATCHDOG)
                return "watchdog reset"
            case "brownout":
                self._board.reset(ResetCause.BROWN_OUT)
                return "brown-out reset"
            case "quit":
                self._leave()
                return "leaving"
            case _:
                return f"{word!r} is no word here; {PLAIN_HELP}"


def _say(outlet: Outlet, line: str) -> None:
    outlet.say(f"{time.monotonic():.3f} {line}")


def _show(say: Callable[[str], None], controller: SimulatedController) -> None:
    line = state_name(controller.state)
    if controller.cause:
        line += f", trip {controller.trip_number}: {cause_name(controller.cause)}"
    if controller.state != BoardState.ARMED:
        line += f". {NOT_SAFE}"
    say(f"{line} · inputs {controller.inputs:#04x} · proofs {controller.proofs:#x}")


async def _run(settings: Settings, plain: bool) -> int:
    leaving = asyncio.Event()
    running_loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGQUIT):
        running_loop.add_signal_handler(number, leaving.set)
    # A board does not stand still because nobody reads what is printed of it.
    outlet = Outlet(sys.stdout.fileno())
    say = partial(_say, outlet)
    file = settings.pulses.open("a", encoding="utf-8") if settings.pulses else None
    noise = None
    if settings.loss or settings.bursts:
        noise = LineNoise(settings.seed, loss=settings.loss, bursts=settings.bursts)

    def seconds_at(tick: int) -> float:
        return board.link.seconds_at(tick)

    writer = _writer(file, seconds_at) if file else None
    ears = Listening(say) if settings.listen else None

    def fired(pulses: Sequence[Pulse]) -> None:
        if writer is not None:
            writer(pulses)
        if ears is not None:
            ears.hear(_bangs(board, pulses))

    try:
        board = SimulatedBoard(
            BoardSettings(
                board_id=int(settings.board_id, 16),
                clock_error_ppm=settings.clock_error_ppm,
                horn_ms=settings.horn_ms,
            ),
            memory_file=settings.memory,
            baud=settings.baud,
            to_board=noise,
            pty_link=settings.link,
            on_change=partial(_show, say),
            on_pulses=fired if writer is not None or ears is not None else None,
        )
        async with ears or nullcontext(), board:
            say(f"board {settings.board_id.lower()} on {settings.link} at {settings.baud} baud")
            say(HELP if not plain else PLAIN_HELP)
            say(f"Nothing real fires here. With real coils: {NOT_SAFE}")
            switches = Switches(board, leaving.set)
            with read_words(plain, WORDS, lambda word: say(switches.word(word))):
                await leaving.wait()
    finally:
        if file is not None:
            file.close()
        outlet.close()
    return 0


def _writer(
    file: TextIOBase, seconds_at: Callable[[int], float]
) -> Callable[[Sequence[Pulse]], None]:
    """Appends pulses: output 1 to 4, start in µs of this machine's monotonic clock, on-time."""

    def write(pulses: Sequence[Pulse]) -> None:
        for pulse in pulses:
            start = seconds_at(pulse.start_tick)
            on_us = (seconds_at(pulse.start_tick + pulse.on_ticks) - start) * 1e6
            file.write(f"{pulse.output + 1},{start * 1e6:.2f},{on_us:.2f}\n")
        file.flush()

    return write


def _bangs(board: SimulatedBoard, pulses: Sequence[Pulse]) -> list[Bang]:
    """As loud as the outputs' own limits say, the outputs that have some side by side."""
    limits = {x.output: x for x in board.controller.limits_in_force()}
    places = {output: place for place, output in enumerate(limits)}
    return [
        bang_by_square_law(
            board.link.seconds_at(p.start_tick),
            p.on_ticks / limits[p.output].max_on_ticks,
            places[p.output],
            len(places),
        )
        for p in pulses
        if p.output in limits  # a reset meanwhile forgets them: its last pulse goes unheard
    ]


def _check(settings: Settings) -> None:
    """Raises SettingsError; makes the memory file's folder."""
    if not re.fullmatch(r"[0-9a-fA-F]{8}", settings.board_id):
        raise SettingsError(f"--board-id {settings.board_id}: eight hexadecimal digits are needed")
    link = settings.link
    if not link.parent.is_dir():
        raise SettingsError(f"--link {link}: there is no folder {link.parent}")
    if os.path.lexists(link) and not link.is_symlink():
        raise SettingsError(f"--link {link}: exists and is no symbolic link; give another")
    # One that a simulator left behind leads to a pty: any other is somebody else's.
    if link.is_symlink() and not (target := os.readlink(link)).startswith(PTYS):
        raise SettingsError(f"--link {link}: leads to {target}, no simulator's link; give another")
    if settings.pulses is not None and not settings.pulses.parent.is_dir():
        raise SettingsError(
            f"--pulses {settings.pulses}: there is no folder {settings.pulses.parent}"
        )
    if settings.pulses is not None and settings.pulses.is_dir():
        raise SettingsError(f"--pulses {settings.pulses}: Is a directory")
    if settings.memory is not None:
        try:
            settings.memory.parent.mkdir(parents=True, exist_ok=True)
            load_memory(settings.memory)
        except OSError as error:
            raise SettingsError(f"--memory {settings.memory}: {error.strerror}") from error
        except ValueError as error:
            raise SettingsError(f"--memory {error}") from error


def run(settings: Settings, *, plain: bool) -> int:
    """The command. Raises SettingsError."""
    _check(settings)
    try:
        return loop.run(_run(settings, plain))
    except OSError as error:
        where = f"{error.filename}: " if error.filename is not None else ""
        raise SettingsError(f"{where}{error.strerror or error}") from error
