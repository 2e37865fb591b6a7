"""The panel's HTTP and WebSocket: who may, then pass it on. Runs in the web process.

Every request passes `Gate` first: Host, Origin, and the headers that keep a page to itself. Stop is
taken from anyone who passes; everything else needs a session (access.py).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import HTTPConnection, Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from bridge.panel import commands as c
from bridge.panel.access import (
    SESSION_S,
    Rate,
    Sessions,
    Tries,
    host_allowed,
    origin_allowed,
)
from bridge.panel.tokens import owner_of
from bridge.panel.wire import Wire

STATIC = Path(__file__).parent / "static"
MOST_BODY = 1024
MOST_PAGES = 64
MOST_PAGES_EACH = 12
"""Open pages from one address."""
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
NOT_OURS = "This address or page is not the panel's own."
NO_ANSWER = "STOP did not reach the daemon. Use the emergency button."


@dataclass
class Panel:
    """What the handlers share. `now`: the process's monotonic clock, seconds."""

    wire: Wire
    tokens: Mapping[str, str]
    now: Callable[[], float]
    tls: bool
    names: tuple[str, ...]
    port: int
    sessions: Sessions = field(default_factory=Sessions)
    tries: Tries = field(default_factory=Tries)
    seats: int = 0
    pages: dict[str, int] = field(default_factory=dict[str, int])

    @property
    def cookie(self) -> str:
        # Cookies know no ports: two sites on one machine must not sign each other out.
        return f"{'__Host-' if self.tls else ''}coilwarden-{self.port}"

    def operator(self, connection: HTTPConnection) -> str | None:
        """Who is signed in on this connection, or None."""
        return self.sessions.name(self.now(), connection.cookies.get(self.cookie))

    def who(self, connection: HTTPConnection) -> str:
        return self.operator(connection) or f"viewer at {_address(connection)}"


def _address(connection: HTTPConnection) -> str:
    return connection.client.host if connection.client else "?"


class Gate:
    """Refuses what comes from elsewhere; adds the headers to every answer."""

    def __init__(self, app: ASGIApp, panel: Panel) -> None:
        self._app = app
        self._panel = panel

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        if self._is_ours(scope):
            await self._app(scope, receive, send_with_headers)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008, "reason": NOT_OURS})
        else:
            await PlainTextResponse(NOT_OURS, 403)(scope, receive, send_with_headers)

    def _is_ours(self, scope: Scope) -> bool:
        headers = Headers(scope=scope)
        hosts, origins = headers.getlist("host"), headers.getlist("origin")
        server = scope.get("server")
        if len(hosts) != 1 or len(origins) > 1 or not server:
            return False
        if not host_allowed(hosts[0], (server[0], server[1]), self._panel.names):
            return False
        # A page of ours always sends its origin with these; a stop by hand (curl) need not.
        writes = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")
        needed = writes and scope["path"] != "/stop"
        origin = origins[0] if origins else None
        # Not on reading: following a link from elsewhere is how people come to pages.
        if not writes and headers.get("sec-fetch-mode") == "navigate":
            return True
        return origin_allowed(origin, hosts[0], tls=self._panel.tls, needed=needed)


async def _form(request: Request) -> dict[str, str]:
    """A short form. Raises ValueError."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MOST_BODY:
            raise ValueError("too long")
    return {k: v[0] for k, v in parse_qs(body.decode(), max_num_fields=4).items()}


def build(panel: Panel) -> ASGIApp:
    """The application."""

    async def stop(request: Request) -> Response:
        state = await panel.wire.stop(0, panel.who(request))
        by_script = "application/json" in request.headers.get("accept", "")
        if state is None:
            if by_script:
                return JSONResponse({"stopped": False, "text": NO_ANSWER}, 504)
            return PlainTextResponse(NO_ANSWER, 504)
        if by_script or request.headers.get("sec-fetch-mode") != "navigate":
            return JSONResponse({"stopped": True, "state": state})
        return RedirectResponse("/", 303)  # the plain form, where no script runs

    async def sign_in(request: Request) -> Response:
        now_s, address = panel.now(), _address(request)
        if not panel.tries.may_try(now_s, address):
            return JSONResponse({"text": "Too many wrong tokens: wait a minute."}, 429)
        try:
            token = (await _form(request)).get("token", "").strip()
        except (ValueError, UnicodeDecodeError):
            return JSONResponse({"text": "Not a form."}, 400)
        name = owner_of(panel.tokens, token)
        if name is None:
            panel.tries.was_wrong(now_s, address)
            return JSONResponse({"text": "That token is not known here."}, 403)
        answer = JSONResponse({"text": ""})
        answer.set_cookie(
            panel.cookie,
            panel.sessions.begin(now_s, name),
            max_age=int(SESSION_S),
            path="/",
            httponly=True,
            samesite="strict",
            secure=panel.tls,
        )
        return answer

    async def sign_out(request: Request) -> Response:
        panel.sessions.end(request.cookies.get(panel.cookie))
        answer = JSONResponse({"text": ""})
        answer.delete_cookie(
            panel.cookie, path="/", httponly=True, samesite="strict", secure=panel.tls
        )
        return answer

    async def live(socket: WebSocket) -> None:
        address = _address(socket)
        if sum(panel.pages.values()) >= MOST_PAGES or (
            panel.pages.get(address, 0) >= MOST_PAGES_EACH
        ):
            await socket.close(1013, "too many pages are open")
            return
        panel.pages[address] = panel.pages.get(address, 0) + 1
        panel.seats += 1
        try:
            await socket.accept()
            await _Page(panel, socket, panel.seats).run()
        finally:
            panel.pages[address] -= 1
            if not panel.pages[address]:
                del panel.pages[address]

    async def index(request: Request) -> Response:
        return Response((STATIC / "index.html").read_bytes(), media_type="text/html")

    app = Starlette(
        routes=[
            Route("/", index),
            Route("/stop", stop, methods=["POST"]),
            Route("/sign-in", sign_in, methods=["POST"]),
            Route("/sign-out", sign_out, methods=["POST"]),
            WebSocketRoute("/live", live),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]
    )
    return Gate(app, panel)


class _Page:
    """One open page."""

    def __init__(self, panel: Panel, socket: WebSocket, seat: int) -> None:
        self._panel = panel
        self._socket = socket
        self._seat = seat
        self._rate = Rate(panel.now())
        self._texts: list[str] = []
        self._waiting = asyncio.Event()
        self._stops: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        panel = self._panel
        panel.wire.answers[self._seat] = self._tell
        tasks = [
            asyncio.create_task(self._read()),
            asyncio.create_task(self._show()),
            asyncio.create_task(self._speak()),
        ]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            panel.wire.gone(self._seat)  # first of all: what it held is let go
            del panel.wire.answers[self._seat]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    def _tell(self, text: str) -> None:
        if len(self._texts) < 20:
            self._texts.append(json.dumps({"text": text}))
        self._waiting.set()

    async def _speak(self) -> None:
        name = self._panel.operator(self._socket)
        you = {"name": name or "viewer", "operator": name is not None}
        await self._socket.send_text(json.dumps({"you": you}))
        while True:
            await self._waiting.wait()
            self._waiting.clear()
            while self._texts:
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
        with contextlib.suppress(WebSocketDisconnect):
            while True:
                await self._take(await self._socket.receive_text())

    async def _take(self, text: str) -> None:
        panel = self._panel
        if text.startswith('{"echo":') and len(text) < 40:
            # How old the newest word of the daemon is: the page's measure of contact.
            age_ms = round((panel.now() - panel.wire.heard_s) * 1000)
            with contextlib.suppress(ValueError, KeyError, TypeError):
                number = int(json.loads(text)["echo"])
                self._texts.append(json.dumps({"echo": number, "age_ms": age_ms}))
                self._waiting.set()
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
