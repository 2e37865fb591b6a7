"""Page tests on a machine that stands still: whose fault was the stall, the machine's or ours?

A site trips when a computer stalls for 200 ms, as it must. Where the machine kept daemon or board
from its processors meanwhile, the story is told once more; a stall that came without is a fault.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path

from playwright.sync_api import Error

from bridge.interlock import CAUSES, Cause
from bridge.journal.files import journals
from bridge.journal.night import Night
from bridge.journal.values import Told
from tests.panel.rig import PanelRig

STALLS = {Cause.LEASE_EXPIRED, Cause.STATUS_STALE, Cause.HOST_STALLED}
TIMES = 3
LOOK_S, LOOKS = 0.05, 20
"""How often the waiting is read; the worst is looked for in so many readings, a second."""
LEAST_S = 0.1
"""Of waiting for a processor within a second: half of what trips (200 ms)."""


def waited_s(pid: int) -> float:
    """How long a process's first thread, in which its loop runs, was ready to run and did not: the
    second number of /proc/PID/schedstat, in ns (Linux, Documentation/scheduler/sched-stats)."""
    return int(Path(f"/proc/{pid}/schedstat").read_text(encoding="ascii").split()[1]) / 1e9


class Waiting:
    """`worst_s`: the longest that one of the processes waited for a processor within a second."""

    def __init__(self) -> None:
        self.worst_s = 0.0

    @contextlib.contextmanager
    def watching(self, *pids: int) -> Iterator[None]:
        over = threading.Event()
        thread = threading.Thread(target=self._look, args=(pids, over), name="starved")
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()

    def _look(self, pids: tuple[int, ...], over: threading.Event) -> None:
        seen = {pid: deque[float](maxlen=LOOKS) for pid in pids}
        while not over.wait(LOOK_S):
            for pid, waits in seen.items():
                with contextlib.suppress(OSError, IndexError):  # it has ended
                    waits.append(waited_s(pid))
                    self.worst_s = max(self.worst_s, waits[-1] - waits[0])


def unless_starved(
    folder: Path, build: Callable[[Path], PanelRig], story: Callable[[PanelRig], None]
) -> None:
    """The story on a fresh rig in a folder of its own; again, TIMES at most, where the journal has
    a stall and the machine is to blame for it. Any other fault is a fault at once."""
    for number in range(TIMES):
        inside = folder / str(number)
        inside.mkdir()
        panel, waiting = build(inside), Waiting()
        panel.beside = waiting.watching
        try:
            story(panel)
        except (AssertionError, Error):
            if number == TIMES - 1 or waiting.worst_s < LEAST_S or not _stood_still(inside):
                raise
            print(f"told again: a stall, {waiting.worst_s:.3f} s without a processor")
        else:
            return


def _stood_still(folder: Path) -> bool:
    """By the journal: a trip of cause 7, 37 or 40 (causes.py)."""
    return any(
        CAUSES[cause].sentence in event.line
        for path in journals(folder / "state" / "journal")
        for event in Night(path).read()
        if isinstance(event, Told)
        for cause in STALLS
    )
