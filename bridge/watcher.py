"""Who may watch a running site: journal, panel, telemetry, the terminal. Watching moves nothing.

Everything is told on the loop's thread, in the order it happened, once what it led to is on the
wire: a stop waits for no watcher. A watcher that raises is complained about and goes on being told.
A watcher must be quick (microseconds) and never wait: what takes longer belongs in a thread of its
own, behind a bounded queue.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from bridge.clocks import HostS
from bridge.engine import Engine
from bridge.entries import Entry
from bridge.link.outbox import Outgoing
from bridge.records import Record


class Watcher:
    """Sees everything, does nothing; override what you want to see. All of it are values."""

    def entered(self, entry: Entry) -> None:
        """The Engine was entered, or asked what to write (`Collect`)."""

    def recorded(self, at_s: HostS, record: Record) -> None:
        """The Engine reported something."""

    def wrote(self, at_s: HostS, controller: str, out: Outgoing) -> None:
        """This went to a controller's line, at the time when the write had returned."""

    def settled(self, at_s: HostS, engine: Engine) -> None:
        """All of it is done: the Engine may be looked at, now, and neither entered nor kept."""


class Watchers:
    """Any number of watchers, and what they have not been told yet."""

    def __init__(self, watchers: Iterable[Watcher], complain: Callable[[str], None]) -> None:
        """`complain`: called while a watcher's error is handled, with what went wrong."""
        self._all = list(watchers)
        self._complain = complain
        self._waiting: list[tuple[Sequence[Callable[..., None]], tuple[Any, ...]]] = []
        self._sort()

    def add(self, watcher: Watcher) -> None:
        """From the next call into the Engine on."""
        self._all.append(watcher)
        self._sort()

    def remove(self, watcher: Watcher) -> None:
        """Raises ValueError if it does not watch."""
        self._all.remove(watcher)
        self._sort()

    def _sort(self) -> None:
        """Whom to tell what: those that do not look are not called, thousands of times a second."""
        self._entered = [w.entered for w in self._all if _looks(w, "entered")]
        self._recorded = [w.recorded for w in self._all if _looks(w, "recorded")]
        self._wrote = [w.wrote for w in self._all if _looks(w, "wrote")]
        self._settled = [w.settled for w in self._all if _looks(w, "settled")]

    # -- told at once, passed on later --------------------------------------------------------

    def entered(self, entry: Entry) -> None:
        if self._entered:
            self._waiting.append((self._entered, (entry,)))

    def recorded(self, at_s: HostS, record: Record) -> None:
        if self._recorded:
            self._waiting.append((self._recorded, (at_s, record)))

    def wrote(self, at_s: HostS, controller: str, out: Outgoing) -> None:
        if self._wrote:
            self._waiting.append((self._wrote, (at_s, controller, out)))

    def pass_on(self, at_s: HostS, engine: Engine) -> None:
        """Everything since the last call, to everybody. Never raises."""
        if self._waiting:
            waiting, self._waiting = self._waiting, []
            for tell_each, what in waiting:
                for tell in tell_each:
                    self._tell(tell, what)
        for tell in self._settled:
            self._tell(tell, (at_s, engine))

    def _tell(self, tell: Callable[..., None], what: tuple[Any, ...]) -> None:
        try:
            tell(*what)
        except Exception:  # showing it is not worth a trip, nor the stop that may follow
            self._complain("a watcher failed: what happened was not shown or kept by it")


def _looks(watcher: Watcher, name: str) -> bool:
    """True where the watcher's class has something of its own to do with it."""
    return getattr(type(watcher), name) is not getattr(Watcher, name)
