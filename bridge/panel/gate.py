"""What every request passes first: Host, Origin, and the headers that keep a page to itself."""

from __future__ import annotations

from collections.abc import Collection

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from bridge.panel.access import host_allowed, origin_allowed

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not "no-referrer": then a form's own page would be told as "null", and STOP without script is
    # a form. Other sites learn nothing either way.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
NOT_OURS = "This address or page is not the panel's own."


class Gate:
    """Refuses what comes from elsewhere; adds the headers to every answer."""

    def __init__(self, app: ASGIApp, names: Collection[str], *, tls: bool) -> None:
        self._app = app
        self._names = names
        self._tls = tls

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
        if not host_allowed(hosts[0], (server[0], server[1]), self._names, tls=self._tls):
            return False
        # A page of ours always sends its origin with these; a stop by hand (curl) need not.
        writes = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")
        needed = writes and scope["path"] != "/stop"
        origin = origins[0] if origins else None
        # Not on reading: following a link from elsewhere is how people come to pages.
        if not writes and headers.get("sec-fetch-mode") == "navigate":
            return True
        return origin_allowed(origin, hosts[0], tls=self._tls, needed=needed)
