"""Who reaches the panel and may do what: every role against every act, and who is refused."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from bridge.panel.access import (
    COMMAND_BURST,
    SESSION_S,
    TRIES,
    TRIES_S,
    Rate,
    Sessions,
    Tries,
    host_allowed,
    origin_allowed,
)
from bridge.panel.app import HEADERS, Panel, build
from bridge.panel.wire import Wire

TOKEN = "lantern-mara-4f7k2p9q"
HOME = "http://127.0.0.1:8417"
LIVE = "ws://127.0.0.1:8417/live"
COMMANDS: list[dict[str, Any]] = [
    {"do": "arm", "phase": "begin"},
    {"do": "disarm"},
    {"do": "hush"},
    {"do": "reset"},
    {"do": "mute", "coil": "Larkspur", "muted": False},
    {"do": "loudness", "share": 1.0},
    {"do": "bang", "coil": "Larkspur"},
    {"do": "rate", "coil": "Larkspur", "phase": "begin"},
    {"do": "set_rate", "coil": "Larkspur", "break_rate_hz": 20},
    {"do": "step", "coil": "Larkspur", "way": "longer"},
    {"do": "other", "name": "show:next"},
]


class Daemon:
    """Notes what the web process passes on; answers each stop."""

    def __init__(self) -> None:
        self.said: list[dict[str, Any]] = []
        self.wire = Wire(self, lambda: self.now_s)
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


@pytest.fixture
def site() -> Iterator[Site]:
    one = Site()
    with one.client:
        yield one


def until_text(socket: Any) -> str:
    while "text" not in (said := socket.receive_json()):
        pass
    return str(said["text"])


# -- hosts and origins ---


@pytest.mark.parametrize(
    ("host", "allowed"),
    [
        ("127.0.0.1:8417", True),
        ("localhost:8417", True),
        ("depot.local:8417", True),
        ("DEPOT.local:8417", True),
        ("127.0.0.1:8418", False),
        ("127.0.0.1", False),
        ("127.0.0.2:8417", False),
        ("192.168.1.7:8417", False),
        ("evil.example:8417", False),
        ("127.0.0.1.evil.example:8417", False),
        ("depot.local.evil.example:8417", False),
        ("127.0.0.1:8417@evil.example", False),
        ("", False),
        (":8417", False),
        ("[::1]:8417", False),
        ("127.0.0.1:٨٤١٧", False),
    ],
)
def test_only_our_own_hosts(host: str, allowed: bool) -> None:
    assert host_allowed(host, ("127.0.0.1", 8417), ["depot.local"]) is allowed


def test_hosts_of_other_addresses() -> None:
    assert host_allowed("[::1]:8417", ("::1", 8417), [])
    assert host_allowed("192.168.1.7:8417", ("192.168.1.7", 8417), [])
    assert not host_allowed("localhost:8417", ("192.168.1.7", 8417), [])


@pytest.mark.parametrize(
    ("origin", "needed", "allowed"),
    [
        ("http://127.0.0.1:8417", True, True),
        ("https://127.0.0.1:8417", True, False),
        ("http://127.0.0.1:8418", True, False),
        ("http://evil.example", True, False),
        ("http://127.0.0.1:8417.evil.example", True, False),
        ("null", True, False),
        ("null", False, False),
        (None, True, False),
        (None, False, True),
    ],
)
def test_origins(origin: str | None, needed: bool, allowed: bool) -> None:
    assert origin_allowed(origin, "127.0.0.1:8417", tls=False, needed=needed) is allowed


@pytest.mark.parametrize("path", ["/", "/static/main.js", "/stop", "/sign-in", "/live"])
@pytest.mark.parametrize(
    "headers",
    [{"host": "evil.example:8417"}, {"origin": "http://evil.example"}],
    ids=["rebound name", "other page"],
)
def test_whatever_comes_from_elsewhere_is_refused(
    site: Site, path: str, headers: dict[str, str]
) -> None:
    if path == "/live":
        with pytest.raises(WebSocketDisconnect), site.live(**headers):
            pass
    else:
        sends = path in {"/stop", "/sign-in"}
        answer = (site.client.post if sends else site.client.get)(path, headers=headers)
        assert answer.status_code == 403
    assert site.daemon.said == []


def test_a_socket_without_an_origin_is_refused(site: Site) -> None:
    with pytest.raises(WebSocketDisconnect), site.client.websocket_connect(LIVE):
        pass


def test_two_hosts_are_refused(site: Site) -> None:
    answer = site.client.get("/", headers=[("host", "127.0.0.1:8417"), ("host", "evil.example")])
    assert answer.status_code == 403


def test_every_answer_keeps_the_page_to_itself(site: Site) -> None:
    answers = [
        site.client.get("/"),
        site.client.get("/static/main.js"),
        site.client.get("/nothing"),
        site.client.get("/", headers={"host": "evil.example"}),
    ]
    for answer in answers:
        for name, value in HEADERS.items():
            assert answer.headers[name] == value
    policy = HEADERS["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy


# -- roles ---


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c["do"])
def test_a_viewer_may_do_nothing_but_stop(site: Site, command: dict[str, Any]) -> None:
    with site.live() as socket:
        assert socket.receive_json() == {"you": {"name": "viewer", "operator": False}}
        socket.send_json(command)
        assert "operator" in until_text(socket)
        assert site.daemon.asked == []
        socket.send_json({"do": "stop"})
        socket.send_json({"echo": 1})
        while "echo" not in socket.receive_json():
            pass
    assert site.daemon.asked == [{"do": "stop"}]


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c["do"])
def test_an_operator_may_do_it_under_their_name(site: Site, command: dict[str, Any]) -> None:
    assert site.sign_in().status_code == 200
    with site.live() as socket:
        assert socket.receive_json() == {"you": {"name": "Mara", "operator": True}}
        socket.send_json(command)
        socket.send_json({"echo": 1})
        while "echo" not in socket.receive_json():
            pass
    (asked,) = [s for s in site.daemon.said if s["kind"] == "asked"]
    assert asked["who"] == "Mara"
    assert asked["command"] | command == asked["command"]
    assert site.daemon.said[-1] == {"kind": "gone", "seat": asked["seat"]}


def test_whoever_reaches_the_page_may_stop(site: Site) -> None:
    for headers in ({}, {"origin": HOME}):
        answer = site.client.post("/stop", headers=headers)
        assert answer.json() == {"stopped": True, "state": "tripped"}
    assert site.daemon.asked == [{"do": "stop"}] * 2
    assert site.daemon.said[0]["who"] == "viewer at testclient"


def test_a_stop_that_nobody_confirms_says_so(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.panel.wire.ANSWER_S", 0.01)
    site.daemon.answers = False
    answer = site.client.post("/stop", headers={"accept": "application/json"})
    assert answer.status_code == 504
    assert "emergency button" in answer.json()["text"]


def test_a_stop_is_never_rationed(site: Site) -> None:
    site.sign_in()
    for _ in range(TRIES + 2):
        site.sign_in("wrong-token-0123456789")
    assert site.sign_in().status_code == 429
    assert site.client.post("/stop").status_code == 200
    site.daemon.said.clear()
    site.daemon.now_s += 1.0
    with site.live() as socket:
        for _ in range(int(COMMAND_BURST) + 20):
            socket.send_json({"do": "hush"})
        socket.send_json({"do": "stop"})
        socket.send_json({"echo": 1})
        while "echo" not in socket.receive_json():
            pass
    assert site.daemon.asked == [{"do": "hush"}] * int(COMMAND_BURST) + [{"do": "stop"}]


def test_too_many_commands_are_thrown_away(site: Site) -> None:
    site.sign_in()
    with site.live() as socket:
        for _ in range(int(COMMAND_BURST) + 20):
            socket.send_json({"do": "hush"})
        assert "too many" in until_text(socket)
    assert len(site.daemon.asked) == COMMAND_BURST


@pytest.mark.parametrize(
    "text",
    ["", "{}", '{"do":"arm"}', '{"do":"loudness","share":2}', '{"do":"loudness","share":NaN}',
     '{"do":"play"}', "[" * 500, '{"do":"disarm","who":"Ilse"}', '{"echo":"x"}'],
)  # fmt: skip
def test_what_is_no_command_does_nothing(site: Site, text: str) -> None:
    site.sign_in()
    with site.live() as socket:
        socket.send_text(text)
        socket.send_json({"echo": 7})
        while socket.receive_json().get("echo") != 7:
            pass
    assert site.daemon.asked == []


# -- signing in ---


@pytest.mark.parametrize("token", ["", "wrong", TOKEN[:-1], TOKEN + "x", TOKEN.upper()])
def test_a_wrong_token_is_refused(site: Site, token: str) -> None:
    answer = site.sign_in(token)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
    assert token == "" or token not in answer.text
    with site.live() as socket:
        assert not socket.receive_json()["you"]["operator"]


@pytest.mark.parametrize("tls", [False, True])
def test_the_cookie_is_kept_from_scripts_and_other_sites(tls: bool) -> None:
    one = Site(tls=tls)
    with one.client:
        cookie = one.sign_in().headers["set-cookie"]
    assert TOKEN not in cookie
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Path=/" in cookie
    assert ("Secure" in cookie) is tls
    assert cookie.startswith("__Host-") is tls


def test_signing_out_ends_the_session_at_the_server(site: Site) -> None:
    site.sign_in()
    key = site.client.cookies.get(site.panel.cookie)
    site.client.post("/sign-out", headers={"origin": HOME})
    assert site.panel.sessions.name(site.daemon.now_s, key) is None


def test_a_session_ends_while_its_page_is_open(site: Site) -> None:
    site.sign_in()
    with site.live() as socket:
        site.daemon.now_s += SESSION_S + 1
        socket.send_json({"do": "arm", "phase": "begin"})
        assert "operator" in until_text(socket)
    assert site.daemon.asked == []


def test_a_token_in_the_address_does_nothing(site: Site) -> None:
    site.client.get(f"/?token={TOKEN}")
    answer = site.client.post(f"/sign-in?token={TOKEN}", headers={"origin": HOME})
    assert answer.status_code == 403


def test_a_long_form_is_refused(site: Site) -> None:
    answer = site.client.post("/sign-in", content=b"token=" + b"a" * 5000, headers={"origin": HOME})
    assert answer.status_code == 400


def test_wrong_tokens_wait_and_right_ones_do_not() -> None:
    tries = Tries()
    for number in range(TRIES):
        assert tries.may_try(float(number), "a")
        tries.was_wrong(float(number), "a")
    assert not tries.may_try(TRIES_S - 1, "a")
    assert tries.may_try(TRIES_S - 1, "b")
    assert tries.may_try(TRIES_S + 0.1, "a")


def test_two_with_one_name_are_told_apart() -> None:
    sessions = Sessions()
    keys = [sessions.begin(0.0, "Mara") for _ in range(3)]
    assert [sessions.name(1.0, k) for k in keys] == ["Mara", "Mara (2)", "Mara (3)"]
    assert len(set(keys)) == 3
    assert sessions.name(1.0, "guessed") is None
    assert sessions.name(SESSION_S, keys[0]) is None


def test_the_rate_refills() -> None:
    rate = Rate(0.0)
    assert sum(rate.take(0.0) for _ in range(500)) == COMMAND_BURST
    assert sum(rate.take(1.0) for _ in range(500)) == 40
