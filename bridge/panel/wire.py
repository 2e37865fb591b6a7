"""The web process's end of the socket to the daemon. Pictures in, commands out, stops first."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable
from typing import Any, Protocol

from bridge.panel import commands as c

ANSWER_S = 0.5
"""How long a stop waits to hear that it arrived."""
STOP_APART_S = 0.005
"""Between two stops passed on: a flood of them is one after the other, and the first at once."""
MOST_UNSENT = 256 * 1024


class Out(Protocol):
    def write(self, data: bytes, /) -> None: ...


class Wire:
    """`now` is the process's monotonic clock, seconds."""

    def __init__(self, out: Out, now: Callable[[], float]) -> None:
        self._out = out
        self._now = now
        self.picture = ""
        """The newest, word for word as the daemon sent it."""
        self.pictures = 0
        self.heard_s = -1e9
        """When the daemon last said anything."""
        self.changed = asyncio.Condition()
        self.answers: dict[int, Callable[[str], None]] = {}
        """By seat: where the daemon's answers go."""
        self._receipts: dict[int, asyncio.Future[str]] = {}
        self._receipt = 0
        self._stopping: asyncio.Task[str | None] | None = None
        self._stopped_s = -1e9

    # -- out ----------------------------------------------------------------------------------

    def _send(self, said: c.Said) -> None:
        self._out.write(said.model_dump_json().encode() + b"\n")

    def ask(self, seat: int, who: str, command: c.Command) -> None:
        self._send(c.Asked(seat=seat, who=who, command=command))

    def gone(self, seat: int) -> None:
        self._send(c.Gone(seat=seat))

    def say(self, said: c.Ready | c.Trouble) -> None:
        self._send(said)

    async def stop(self, seat: int, who: str) -> str | None:
        """The site's state once the daemon has stopped; None: it did not answer in time.

        Stops that come while one is on its way share its answer.
        """
        if self._stopping is None or self._stopping.done():
            self._stopping = asyncio.create_task(self._stop(seat, who))
        return await asyncio.shield(self._stopping)

    async def _stop(self, seat: int, who: str) -> str | None:
        early_s = self._stopped_s + STOP_APART_S - self._now()
        if early_s > 0:
            await asyncio.sleep(early_s)
        self._stopped_s = self._now()
        self._receipt += 1
        receipt, answer = self._receipt, asyncio.get_running_loop().create_future()
        self._receipts[receipt] = answer
        self._send(c.Asked(seat=seat, who=who, command=c.Stop(do="stop"), receipt=receipt))
        try:
            return await asyncio.wait_for(answer, ANSWER_S)
        except TimeoutError:
            return None
        finally:
            del self._receipts[receipt]

    # -- in -----------------------------------------------------------------------------------

    async def read(self, reader: asyncio.StreamReader) -> None:
        """Until the daemon is gone."""
        while line := await reader.readline():
            self.heard_s = self._now()
            text = line.decode().rstrip("\n")
            if text.startswith('{"view"'):
                async with self.changed:
                    self.picture = text
                    self.pictures += 1
                    self.changed.notify_all()
                continue
            with contextlib.suppress(ValueError):
                self._take(json.loads(text))

    def _take(self, said: dict[str, Any]) -> None:
        answer = self._receipts.get(int(said["receipt"]))
        if answer is not None and not answer.done():
            answer.set_result(str(said["state"]))
        tell = self.answers.get(int(said["seat"]))
        if tell is not None and said["text"]:
            tell(str(said["text"]))
