"""Simulated coils made heard: the host's end of the listening process. Shell.

What it is handed goes into a pipe that never blocks: where the process does not read, bangs are
lost to the ear and counted, and nothing waits for them.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import AsyncExitStack
from types import TracebackType
from typing import Any, Self

import numpy as np

from bridge.clocks import HostS
from bridge.config import Coil, Config
from bridge.host_clock import host_now
from bridge.json_lines import json_lines
from bridge.local_boards import LocalBoards
from bridge.sound.listen_process import RECORD
from bridge.sound.synthesis import loudness, pans
from bridge.virtual_site import TimedPulse

LEAVE_S = 2.0
LOOK_S = 1.0
QUIET_LOOKS = 6
"""So many looks without a word of the process: it hangs. It says something every second."""
OPEN_LOOKS = 30
"""The same until its first word: a device may take its time to open."""
READY_S = 10.0
"""So long a piece that could begin at once waits for the device."""
TELL_S = 1.0
_AT_ONCE = 4096 // RECORD.size
"""A pipe takes so many whole or not at all (PIPE_BUF, POSIX)."""
_STEPS_US = 2
"""Loudness is tabled by half a microsecond: a tick."""

Bang = tuple[float, float, float]
"""Host time of its begin, pressure left and right, as in `RECORD`."""


class Listening:
    """The process, while its `async with` lasts; `say` gets lines for the operator."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self.missing = ""
        """Why nothing is heard; "" while something is, or may be."""
        self.latency_ms: float | None = None
        self.underruns = self.late = 0
        """`late`: bangs that the process left out."""
        self.bangs = self.lost = self.early = 0
        """Handed over; not, because the process did not take them; or the device was not open."""
        self._told: tuple[int, ...] = (0, 0, 0, 0)
        self._told_s = HostS(-math.inf)
        self._device = ""
        self._is_known = asyncio.Event()
        """Whether there is a device."""
        self._leaves = False
        self._say = say
        self._pipe: int | None = None
        self._process: asyncio.subprocess.Process | None = None
        self._reading: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        theirs, self._pipe = os.pipe()
        os.set_blocking(self._pipe, False)
        try:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "bridge.sound.listen_process",
                stdin=theirs,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
                start_new_session=True,  # Ctrl-C is for the daemon
            )  # fmt: skip
        except OSError as error:
            self._gone(str(error))
        else:
            self._reading = asyncio.create_task(self._read(self._process), name="listening")
        finally:
            os.close(theirs)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._leaves = True
        self._close()
        if self._process is not None and self._reading is not None:
            _, waits = await asyncio.wait({self._reading}, timeout=LEAVE_S)
            if waits:
                self._kill()
                await asyncio.wait(waits)
        if not self.missing and self.latency_ms is not None:
            self._say(f"sound: {self.summary()}")

    async def ready(self) -> None:
        """Returns once the device is open, or there is none, or after `READY_S`."""
        try:
            async with asyncio.timeout(READY_S):
                await self._is_known.wait()
        except TimeoutError:
            self._say(f"sound: the device is not open after {READY_S:g} s; it begins without")

    def summary(self) -> str:
        """What was heard, and how."""
        return (
            f"{self.bangs - self.late} of {self.bangs + self.lost + self.early} bangs heard, "
            f"the last {self.latency_ms:g} ms after it was fired; {self._counts()}"
        )

    def _counts(self) -> str:
        early = f", before the device was open {self.early}" if self.early else ""
        return (
            f"underruns {self.underruns}, too late {self.late}{early}, lost on the way {self.lost}"
        )

    def hear(self, bangs: Iterable[Bang]) -> None:
        """Never blocks."""
        if self._pipe is None:
            return
        records = [RECORD.pack(*bang) for bang in bangs]
        if not self._device:  # kept for it, they would all come too late
            self.early += len(records)
            return
        for first in range(0, len(records), _AT_ONCE):
            part = records[first : first + _AT_ONCE]
            try:
                os.write(self._pipe, b"".join(part))
            except BlockingIOError:
                self.lost += len(part)
                self._tell_counts()
            except BrokenPipeError:  # it has ended: what reads its words says why
                self._close()
                return
            else:
                self.bangs += len(part)

    async def _read(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None
        quiet = 0
        async for words in json_lines(process.stdout, LOOK_S):
            quiet = 0 if words is not None else quiet + 1
            if words is not None:
                self.heard(words)
            elif quiet >= (QUIET_LOOKS if self._device else OPEN_LOOKS):
                self._gone("its process hangs")
        code = await process.wait()
        if not self._leaves:
            self._gone(f"its process ended ({code})")

    def heard(self, words: dict[str, Any]) -> None:
        """A line of the process."""
        if "missing" in words:
            self._gone(words["missing"])
        elif "rate" in words:
            self._device = f"{words['device']} at {words['rate']:g} Hz"
            self._is_known.set()
        elif "latency_ms" in words:
            self.underruns, self.late = words["underruns"], words["late"]
            if words["latency_ms"] != self.latency_ms:
                self.latency_ms = words["latency_ms"]
                self._say(
                    f"sound: {self._device}, {self.latency_ms:g} ms after the bang "
                    f"({words['device_ms']:g} ms of it the device's)"
                )
            self._tell_counts()

    def _tell_counts(self) -> None:
        """What is missing, where that has changed; no oftener than an operator can read."""
        counts = self.underruns, self.late, self.lost, self.early
        now_s = host_now()
        if counts == self._told or now_s - self._told_s < TELL_S or self._leaves:
            return
        self._told, self._told_s = counts, now_s
        self._say(f"sound: {self._counts()}")

    def _gone(self, why: str) -> None:
        """Said once: what comes of its end is no news."""
        if self.missing:
            return
        self.missing = why
        self._is_known.set()
        self._close()
        self._kill()
        self._say(f"sound: NONE ({why}): nothing is heard, all else goes on")

    def _kill(self) -> None:
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()

    def _close(self) -> None:
        if self._pipe is not None:
            os.close(self._pipe)
            self._pipe = None


class Ears:
    """Pulses of a site's coils → bangs: panned and as loud as in a rehearsal's --wav."""

    def __init__(self, coils: Sequence[Coil]) -> None:
        self._tables: dict[str, tuple[list[float], list[float]]] = {}
        for coil, sides in zip(coils, pans(len(coils)), strict=True):
            on_us = np.arange(math.ceil(coil.max_on_time_us * _STEPS_US) + 2) / _STEPS_US
            loud = loudness(coil, on_us) * math.sqrt(2)
            left, right = ((loud * side).tolist() for side in sides)
            self._tables[coil.name] = left, right

    def bangs(self, coil: str, pulses: Iterable[TimedPulse]) -> list[Bang]:
        left, right = self._tables[coil]
        most = len(left) - 1
        found: list[Bang] = []
        for pulse in pulses:
            step = min(most, round(pulse.on_s * 1e6 * _STEPS_US))
            found.append((pulse.start_s, left[step], right[step]))
        return found


async def listened_to(
    stack: AsyncExitStack, config: Config, boards: LocalBoards, say: Callable[[str], None]
) -> Listening | None:
    """Makes a site's simulated coils heard until the stack ends."""
    if not boards.boards:
        say("sound: NONE (no controller of this site is simulated): nothing is heard")
        return None
    listening = await stack.enter_async_context(Listening(say))
    ears = Ears(config.coil)
    boards.hear = lambda coil, pulses: listening.hear(ears.bangs(coil, pulses))
    return listening


def bang_by_square_law(start_s: float, share: float, place: int, places: int) -> Bang:
    """Of a board that knows no coil: pressure as the on-time goes, `share` of the longest."""
    loud = min(1.0, share) * math.sqrt(2)
    left, right = pans(places)[place]
    return start_s, loud * left, loud * right
