"""Who reaches the panel and may do what: every role against every act, and who is refused."""

from __future__ import annotations

import asyncio
import json
from typing import Any, ClassVar, cast

import pytest
from starlette.websockets import WebSocket, WebSocketDisconnect

from bridge.panel.access import (
    COMMAND_BURST,
    TRIES,
    host_allowed,
    origin_allowed,
)
from bridge.panel.gate import HEADERS
from bridge.panel.page import MOST_TEXTS, Page
from tests.panel.web import HOME, LIVE, Site, until_text

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
    assert host_allowed(host, ("127.0.0.1", 8417), ["depot.local"], tls=False) is allowed


@pytest.mark.parametrize(("port", "tls"), [(80, False), (443, True)])
def test_a_port_that_browsers_leave_out_is_understood(port: int, tls: bool) -> None:
    server = ("192.168.1.7", port)
    assert host_allowed("depot.local", server, ["depot.local"], tls=tls)
    assert host_allowed("192.168.1.7", server, [], tls=tls)
    assert not host_allowed("evil.example", server, ["depot.local"], tls=tls)
    assert not host_allowed("depot.local", server, ["depot.local"], tls=not tls)


def test_hosts_of_other_addresses() -> None:
    assert host_allowed("[::1]:8417", ("::1", 8417), [], tls=False)
    assert host_allowed("192.168.1.7:8417", ("192.168.1.7", 8417), [], tls=False)
    assert not host_allowed("localhost:8417", ("192.168.1.7", 8417), [], tls=False)


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


def test_a_page_that_asks_and_never_listens_fills_no_memory(site: Site) -> None:
    """Its socket takes nothing more: what waits for it stays bounded, echoes too."""

    async def flood() -> int:
        class Deaf:
            cookies: ClassVar[dict[str, str]] = {}
            client = None

        page = Page(site.panel, cast(WebSocket, Deaf()), 1)
        for number in range(5000):
            await page.take(json.dumps({"echo": number}, separators=(",", ":")))
            await page.take("no command")
        return page.waiting

    assert asyncio.run(flood()) <= MOST_TEXTS + 1


def test_an_echo_is_answered_however_many_words_wait(site: Site) -> None:
    """Or the page would take a lively daemon for lost."""
    with site.live() as socket:
        for _ in range(50):
            socket.send_text("no command")
        socket.send_json({"echo": 9})
        while socket.receive_json().get("echo") != 9:
            pass
