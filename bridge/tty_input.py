"""Standard input without blocking: single keys of a terminal, or whole lines.

While single keys are on, no key may take the operator's hand off the stop: the terminal must not
freeze (Ctrl-S), suspend (Ctrl-Z) or kill (Ctrl-\\) the program. Those keys arrive as bytes instead.
"""

from __future__ import annotations

import asyncio
import codecs
import contextlib
import copy
import os
import signal
import sys
import termios
from collections.abc import Callable, Generator, Mapping
from typing import Any

LEAVE_KEYS = ("q", "\x03", "\x1c")
"""q, Ctrl-C where it arrives as a byte, Ctrl-\\."""

_IFLAG, _LFLAG, _CC = 0, 3, 6


def single_key_settings(before: list[Any], disabled: bytes) -> list[Any]:
    """A terminal's settings (as termios.tcgetattr gives them) with single keys on.

    `disabled`: the byte that stands for "no such key". Ctrl-C stays a signal.
    """
    after = copy.deepcopy(before)
    after[_IFLAG] &= ~(termios.IXON | termios.IXOFF)
    # IEXTEN: on some systems keys that quote or discard would be taken away too.
    after[_LFLAG] &= ~(termios.ECHO | termios.ICANON | termios.IEXTEN)
    after[_CC][termios.VMIN], after[_CC][termios.VTIME] = 1, 0
    for name in ("VSUSP", "VDSUSP", "VQUIT"):
        if (index := getattr(termios, name, None)) is not None:
            after[_CC][index] = disabled
    return after


def _in_foreground(descriptor: int) -> bool:
    """False where changing the terminal would suspend this program."""
    try:
        return os.tcgetpgrp(descriptor) == os.getpgrp()
    except OSError:  # not this program's own terminal: nothing to be suspended by
        return True


@contextlib.contextmanager
def single_keys(descriptor: int) -> Generator[None]:
    """Single keys on; set again whenever this process was suspended and goes on."""
    before = termios.tcgetattr(descriptor)
    wanted = single_key_settings(before, bytes((os.fpathconf(descriptor, "PC_VDISABLE"),)))

    def set_to(settings: list[Any]) -> None:
        # TCSANOW: waiting for output to drain would wait for ever on a paused terminal.
        if _in_foreground(descriptor):
            with contextlib.suppress(termios.error):  # the terminal is gone
                termios.tcsetattr(descriptor, termios.TCSANOW, settings)

    loop = asyncio.get_running_loop()
    set_to(wanted)
    loop.add_signal_handler(signal.SIGCONT, set_to, wanted)
    try:
        yield
    finally:
        loop.remove_signal_handler(signal.SIGCONT)
        set_to(before)


def read_input(
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
            stack.enter_context(single_keys(sys.stdin.fileno()))
        stack.callback(read_input(on_lines if plain else on_keys, on_end))
        yield
