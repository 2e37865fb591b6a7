"""The log: structlog lines on standard error, so that standard output stays for results.

Written by a thread of its own: whoever does not read it keeps no loop back. While a live picture
covers the terminal its lines are held back, and shown when the picture is gone.
"""

from __future__ import annotations

import atexit
import contextlib
import logging
import sys
from collections import deque
from collections.abc import Generator

import structlog

from bridge.outlet import Outlet

MOST_HELD = 400
"""Lines held back; the oldest go first."""


class _LogFile:
    """What structlog prints into."""

    def __init__(self, descriptor: int) -> None:
        self.outlet = Outlet(descriptor)
        self.held: deque[str] | None = None
        self._begun = ""

    def write(self, text: str) -> int:
        *lines, self._begun = (self._begun + text).split("\n")
        for line in lines:
            if self.held is None:
                self.outlet.say(line)
            else:
                self.held.append(line)
        return len(text)

    def flush(self) -> None:
        """Lines are written as soon as they can be."""


_files: list[_LogFile] = []


def set_up_log() -> None:
    """Warnings and errors as plain lines on standard error."""
    file = _LogFile(sys.stderr.fileno())
    _files.append(file)
    atexit.register(file.outlet.close)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso"),
            structlog.processors.format_exc_info,
            structlog.dev.ConsoleRenderer(colors=False),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING),
        logger_factory=structlog.PrintLoggerFactory(file=file),  # pyright: ignore[reportArgumentType]
    )


@contextlib.contextmanager
def held_back() -> Generator[None]:
    """While a picture covers the terminal. A log that goes to a file is written as ever."""
    files = [f for f in _files if sys.stderr.isatty()]
    for file in files:
        file.held = deque(maxlen=MOST_HELD)
    try:
        yield
    finally:
        for file in files:
            held, file.held = file.held, None
            for line in held or ():
                file.outlet.say(line)
