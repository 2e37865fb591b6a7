"""Lines for a descriptor that may not take them now, written by a thread of their own.

A pipe nobody reads, or a terminal that was paused, blocks whoever writes to it. The loop must never
be that one: it hands its lines over and goes on. What waits is bounded; the oldest lines go first,
and how many is said. Lines to keep (changes of state) have a bound of their own.
"""

from __future__ import annotations

import os
import select
import threading
from collections import deque
from collections.abc import Callable

MOST_LINES = 1000
"""Waiting lines of each kind."""
CLOSE_S = 0.5
"""How long the exit waits for a reader."""


def write_all(descriptor: int, data: bytes) -> None:
    """Writes all of it, for as long as that takes. Raises OSError."""
    while data:
        try:
            data = data[os.write(descriptor, data) :]
        except BlockingIOError:  # somebody set the descriptor not to block
            select.select([], [descriptor], [])


class Outlet:
    """One descriptor's lines, in the order they were said."""

    def __init__(
        self,
        descriptor: int,
        *,
        left_out: Callable[[int], str] = lambda count: (
            f"({count} lines left out: not read in time)"
        ),
        most: int = MOST_LINES,
    ) -> None:
        """`left_out`: the line that stands for so many lines dropped. `most`: see MOST_LINES."""
        self._descriptor = descriptor
        self._left_out = left_out
        self._most = most
        self._said = 0
        self._waiting: dict[bool, deque[tuple[int, str]]] = {False: deque(), True: deque()}
        self._dropped = 0
        self._closing = self._failed = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="outlet", daemon=True)
        self._thread.start()

    def say(self, line: str, *, keep: bool = False) -> None:
        """Hands one line over; never waits. `keep`: it outlives the others when nobody reads."""
        with self._changed:
            if self._failed or self._closing:
                return
            waiting = self._waiting[keep]
            if len(waiting) >= self._most:
                waiting.popleft()
                self._dropped += 1
            self._said += 1
            waiting.append((self._said, line))
            self._changed.notify()

    def close(self, within_s: float = CLOSE_S) -> bool:
        """Waits so long at most for what was said to be written; says whether it was."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(within_s)
        return not self._thread.is_alive() and not self._failed

    def _next(self) -> str | None:
        """The next line to write, waiting for it; None once closed and empty."""
        with self._changed:
            while not self._dropped and not any(self._waiting.values()):
                if self._closing:
                    return None
                self._changed.wait()
            if self._dropped:
                dropped, self._dropped = self._dropped, 0
                return self._left_out(dropped)
            first = min((w for w in self._waiting.values() if w), key=lambda w: w[0][0])
            return first.popleft()[1]

    def _run(self) -> None:
        try:
            while (line := self._next()) is not None:
                write_all(self._descriptor, (line + "\n").encode(errors="replace"))
        except OSError:  # the reader is gone: nothing that is said will be heard
            with self._changed:
                self._failed = True
                for waiting in self._waiting.values():
                    waiting.clear()


def say_last(descriptor: int, text: str) -> None:
    """One text at the end of a program, which must not wait long for a reader."""
    outlet = Outlet(descriptor)
    outlet.say(text, keep=True)
    outlet.close()
