"""The web application over Starlette's test client; its daemon a list of what it was asked."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from starlette.testclient import TestClient

from bridge.panel.app import build
from bridge.panel.shared import Panel
from bridge.panel.wire import Wire

TOKEN = "lantern-mara-4f7k2p9q"
HOME = "http://127.0.0.1:8417"
LIVE = "ws://127.0.0.1:8417/live"


class Daemon:
    """Notes what the web process passes on; answers each stop. `now`: its clock, else `now_s`."""

    def __init__(self, now: Callable[[], float] | None = None) -> None:
        self.said: list[dict[str, Any]] = []
        self.wire = Wire(self, now or (lambda: self.now_s))
        self.now_s = 1000.0
        self.answers = True

    def write(self, data: bytes, /) -> None:
        said = json.loads(data)
        self.said.append(said)
        if said.get("receipt") and self.answers:
            self.wire._take({"seat": 0, "receipt": said["receipt"], "text": "", "state": "tripped"})  # pyright: ignore[reportPrivateUsage]

    @property
    def asked(self) -> list[dict[str, Any]]:
        return [s["command"] for s in self.said if s["kind"] == "asked"]

    @property
    def stops(self) -> int:
        return sum(command == {"do": "stop"} for command in self.asked)


class Site:
    def __init__(self, *, tls: bool = False) -> None:
        self.daemon = Daemon()
        self.panel = Panel(
            self.daemon.wire,
            {"Mara": TOKEN},
            lambda: self.daemon.now_s,
            tls,
            ("depot.local",),
            8417,
        )
        self.home = HOME.replace("http", "https") if tls else HOME
        self.client = TestClient(build(self.panel), base_url=self.home, follow_redirects=False)

    def sign_in(self, token: str = TOKEN, **headers: str) -> Any:
        return self.client.post(
            "/sign-in", data={"token": token}, headers={"origin": self.home, **headers}
        )

    def live(self, **headers: str) -> Any:
        return self.client.websocket_connect(LIVE, headers={"origin": self.home, **headers})


def until_text(socket: Any) -> str:
    while "text" not in (said := socket.receive_json()):
        pass
    return str(said["text"])
