"""Draws the live picture from a thread of its own.

A terminal that takes nothing (paused, a dead connection) holds that thread, and nothing else:
neither the loop, where the stop is, nor the exit.
"""

from __future__ import annotations

import io
import os
import threading
from collections.abc import Callable
from typing import IO, cast

from rich.console import Console as RichConsole
from rich.console import RenderableType
from rich.live import Live

from bridge.outlet import write_all

CLOSE_S = 0.5
"""How long the exit waits for the terminal to take the last picture."""


class _Terminal(io.TextIOBase):
    """What is drawn, written at each flush; shares no buffer or lock with standard output."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._parts: list[str] = []

    def fileno(self) -> int:
        return self._descriptor

    def isatty(self) -> bool:
        return os.isatty(self._descriptor)

    def write(self, s: str, /) -> int:
        self._parts.append(s)
        return len(s)

    def flush(self) -> None:
        text = "".join(self._parts)
        self._parts.clear()
        write_all(self._descriptor, text.encode("utf-8", errors="replace"))


class Painter:
    """The newest picture, on the alternate screen. A picture that comes too late is left out."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._newest: Callable[[], RenderableType] | None = None
        self._closing = False
        self._changed = threading.Condition()
        self.failure: Exception | None = None
        """Why nothing is drawn any more, or None."""
        self._thread = threading.Thread(target=self._run, name="painter", daemon=True)
        self._thread.start()

    def paint(self, make: Callable[[], RenderableType]) -> None:
        """Hands over what makes the picture (it is made on the thread); never waits."""
        with self._changed:
            self._newest = make
            self._changed.notify()

    def close(self, within_s: float = CLOSE_S) -> bool:
        """Leaves the screen; waits so long at most, and says whether it was left."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(within_s)
        return not self._thread.is_alive()

    def _next(self) -> Callable[[], RenderableType] | None:
        with self._changed:
            while self._newest is None and not self._closing:
                self._changed.wait()
            newest, self._newest = self._newest, None
            return None if self._closing else newest

    def _run(self) -> None:
        try:
            terminal = cast(IO[str], _Terminal(self._descriptor))
            console = RichConsole(file=terminal, markup=False, highlight=False)
            # Nothing else is printed meanwhile; a redirected print would wait for this thread.
            with Live(
                console=console,
                auto_refresh=False,
                screen=True,
                redirect_stdout=False,
                redirect_stderr=False,
            ) as live:
                while (make := self._next()) is not None:
                    live.update(make(), refresh=True)
        except Exception as error:
            self.failure = error
