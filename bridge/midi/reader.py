"""The thread that reads all inputs, and the estimate of when each message arrived.

Why the library's callback is not used: it runs Python in the driver's own thread, which then has
to wait for the interpreter. Under JACK a process thread that is late loses its cycle: with the
interpreter busy and 256 frames a cycle, 3,000 messages at 1,000 a second came out as 1,670
different ones, some of them twice. The library's queue is filled in C++ without the interpreter,
and lost none in the same trial. Closing a port also joins the driver's thread while holding the
interpreter, for which a callback may be waiting.
"""

from __future__ import annotations

import contextlib
import ctypes
import math
import threading
import time
from collections.abc import Callable

from bridge.clocks import HostS
from bridge.midi.mailbox import Mailbox
from bridge.midi.parts import Wire

POLL_S = 0.0007
"""The longest a message waits for the reader if the interpreter is free and nobody has played."""
PLAYING_POLL_S = 0.0001
"""The same while somebody plays: a tenth of a core for half a millisecond."""
PLAYING_S = 5.0
"""For so long after a message somebody is taken to play."""
_TIMER_SLACK_NS = 1000
_PR_SET_TIMERSLACK = 29
SWEEP_MESSAGES = 256
"""Read from one input before the others have their turn."""


def arrival(previous_s: HostS | None, delta_s: float, empty_s: HostS, now_s: HostS) -> HostS:
    """When a message arrived, by our clock, in seconds.

    The driver's thread measures `delta_s` since the message before, which arrived at
    `previous_s`. The message cannot have come before `empty_s`, when the queue was last seen
    empty, nor after `now_s`, when it was read; the estimate is held between the two. So a busy
    interpreter delays the reading but hardly the time.
    """
    if previous_s is None:
        return now_s
    return min(now_s, max(empty_s, HostS(previous_s + delta_s)))


def _wake_on_time() -> None:
    """Asks Linux to wake this thread within a microsecond: its usual 50 are half of our pause."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_PR_SET_TIMERSLACK, _TIMER_SLACK_NS, 0, 0, 0)


class _Line:
    """One input being read, and what is known of its time."""

    def __init__(self, wire: Wire, mailbox: Mailbox, empty_s: HostS) -> None:
        self.wire = wire
        self.mailbox = mailbox
        self.previous_s: HostS | None = None
        self.empty_s = empty_s

    def sweep(self, clock: Callable[[], HostS]) -> bool:
        """Moves waiting messages to the mailbox; True: none are left."""
        for _ in range(SWEEP_MESSAGES):
            before_s = clock()
            found = self.wire.get_message()
            if found is None:
                self.empty_s = before_s
                return True
            now_s = clock()
            message, delta_s = found
            self.previous_s = arrival(self.previous_s, delta_s, self.empty_s, now_s)
            self.mailbox.put(self.previous_s, message)
        return False


class Reader:
    """Reads every wire it was given, in one thread, until stopped."""

    def __init__(self, clock: Callable[[], HostS], poll_s: float = POLL_S) -> None:
        self._clock = clock
        self._poll_s = poll_s
        self._lines: dict[int, _Line] = {}
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="midi-read", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def add(self, wire: Wire, mailbox: Mailbox) -> None:
        with self._lock:
            self._lines[id(wire)] = _Line(wire, mailbox, self._clock())

    def remove(self, wire: Wire) -> None:
        """Reads what is left of the wire, then never touches it again."""
        with self._lock:
            line = self._lines.pop(id(wire), None)
            if line is not None:
                self._empty(line)

    def flush(self, wire: Wire) -> None:
        """Reads what is waiting, so that a state change queued next stands behind it."""
        with self._lock:
            line = self._lines.get(id(wire))
            if line is not None:
                self._empty(line)

    def _empty(self, line: _Line) -> None:
        # A sender may still be pouring in: bounded, so that no flood keeps us here.
        for _ in range(64):
            if line.sweep(self._clock):
                return

    def _run(self) -> None:
        _wake_on_time()
        pause_s = self._poll_s
        # A sleep, since waiting for the event with a timeout costs several times the work.
        while not self._stop.is_set():
            time.sleep(pause_s)
            with self._lock:
                played_s: float = -math.inf
                for line in self._lines.values():
                    line.sweep(self._clock)
                    if line.previous_s is not None and line.previous_s > played_s:
                        played_s = line.previous_s
            playing = self._clock() - played_s < PLAYING_S
            pause_s = min(self._poll_s, PLAYING_POLL_S) if playing else self._poll_s

    def stop(self) -> None:
        """Ends the thread; nothing is read after this returns."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
