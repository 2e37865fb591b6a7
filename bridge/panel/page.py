"""One open page: its WebSocket, from the browser's first word to its last."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Awaitable, Callable

import anyio
from starlette.websockets import WebSocket, WebSocketDisconnect

from bridge.panel import commands as c
from bridge.panel.access import Rate
from bridge.panel.shared import NO_ANSWER, Panel

MOST_TEXTS = 20
"""Answers that wait for a page; what comes above is left out."""


class Page:
    """`seat`: its number; what it holds belongs to that."""

    def __init__(self, panel: Panel, socket: WebSocket, seat: int) -> None:
        self._panel = panel
        self._socket = socket
        self._seat = seat
        self._rate = Rate(panel.now())
        self._texts: list[str] = []
        self._echo = ""
        """The answer to the newest; one that was not sent yet is not worth sending any more."""
        self._has_words = asyncio.Event()
        self._stops: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        """Until the page goes away; what it held is let go at once."""
        wire = self._panel.wire
        wire.answers[self._seat] = self._tell
        try:
            async with anyio.create_task_group() as group:
                for work in (self._read, self._show, self._speak):
                    group.start_soon(self._until_one_ends, group.cancel_scope, work)
        finally:
            wire.gone(self._seat)
            del wire.answers[self._seat]

    async def _until_one_ends(
        self, others: anyio.CancelScope, work: Callable[[], Awaitable[None]]
    ) -> None:
        try:
            with contextlib.suppress(WebSocketDisconnect, OSError, RuntimeError):
                await work()
        finally:
            others.cancel()

    def _tell(self, text: str) -> None:
        if len(self._texts) < MOST_TEXTS:
            self._texts.append(json.dumps({"text": text}))
        self._has_words.set()

    @property
    def waiting(self) -> int:
        """How many words wait to be sent."""
        return len(self._texts) + bool(self._echo)

    async def _speak(self) -> None:
        name = self._panel.operator(self._socket)
        you = {"name": name or "viewer", "operator": name is not None}
        await self._socket.send_text(json.dumps({"you": you}))
        while True:
            await self._has_words.wait()
            self._has_words.clear()
            while self._echo or self._texts:
                if self._echo:
                    echo, self._echo = self._echo, ""
                    await self._socket.send_text(echo)
                if self._texts:
                    await self._socket.send_text(self._texts.pop(0))

    async def _show(self) -> None:
        wire, shown = self._panel.wire, -1
        while True:
            async with wire.changed:
                # A slow page gets the newest picture, not a row of old ones.
                while wire.pictures == shown:
                    await wire.changed.wait()
                shown, picture = wire.pictures, wire.picture
            if picture:
                await self._socket.send_text(picture)

    async def _read(self) -> None:
        while True:
            await self.take(await self._socket.receive_text())

    async def take(self, text: str) -> None:
        """One message of the page's."""
        panel = self._panel
        if text.startswith('{"echo":') and len(text) < 40:
            # How old the newest word of the daemon is: the page's measure of contact.
            age_ms = round((panel.now() - panel.wire.heard_s) * 1000)
            with contextlib.suppress(ValueError, KeyError, TypeError):
                number = int(json.loads(text)["echo"])
                self._echo = json.dumps({"echo": number, "age_ms": age_ms})
                self._has_words.set()
            return
        try:
            command = c.parse_command(text)
        except ValueError:
            self._tell("not understood")
            return
        if isinstance(command, c.Stop):
            task = asyncio.create_task(self._stop())
            self._stops.add(task)
            task.add_done_callback(self._stops.discard)
            return
        name = panel.operator(self._socket)
        if name is None:
            self._tell("only an operator may: sign in with a token (stop needs none)")
        elif not self._rate.take(panel.now()):
            self._tell("too many commands: slow down")
        else:
            panel.wire.ask(self._seat, name, command)

    async def _stop(self) -> None:
        if await self._panel.wire.stop(self._seat, self._panel.who(self._socket)) is None:
            self._tell(NO_ANSWER)
