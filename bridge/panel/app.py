"""The panel's HTTP and WebSocket: who may, then pass it on. Runs in the web process.

Every request passes the gate first (gate.py). Stop is taken from anyone who passes; everything else
needs a session (access.py).
"""

from __future__ import annotations

from pathlib import Path
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp
from starlette.websockets import WebSocket

from bridge.panel.access import SESSION_S
from bridge.panel.gate import Gate
from bridge.panel.page import Page
from bridge.panel.shared import NO_ANSWER, Panel, address_of
from bridge.panel.tokens import owner_of

STATIC = Path(__file__).parent / "static"
MOST_BODY = 1024
MOST_PAGES = 64
MOST_PAGES_EACH = 12
"""Open pages from one address."""


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
        try:
            token = (await _form(request)).get("token", "").strip()
        except (ValueError, UnicodeDecodeError):
            return JSONResponse({"text": "Not a form."}, 400)
        # Only now, and nothing waits from here on: or many tries at once would count as one.
        now_s, address = panel.now(), address_of(request)
        if not panel.tries.may_try(now_s, address):
            return JSONResponse({"text": "Too many wrong tokens: wait a minute."}, 429)
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
        address = address_of(socket)
        if sum(panel.pages.values()) >= MOST_PAGES or (
            panel.pages.get(address, 0) >= MOST_PAGES_EACH
        ):
            await socket.close(1013, "too many pages are open")
            return
        panel.pages[address] = panel.pages.get(address, 0) + 1
        panel.seats += 1
        try:
            await socket.accept()
            await Page(panel, socket, panel.seats).run()
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
    return Gate(app, panel.names, tls=panel.tls)
