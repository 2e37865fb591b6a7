"""Signing in: tokens refused and accepted, sessions, and how often one may try."""

from __future__ import annotations

import asyncio
from collections.abc import MutableMapping
from typing import Any

import pytest

from bridge.panel.access import (
    COMMAND_BURST,
    SESSION_S,
    TRIES,
    TRIES_S,
    Rate,
    Sessions,
    Tries,
)
from tests.panel.web import HOME, TOKEN, Site, until_text


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


def test_many_tries_at_once_are_no_more_than_one_after_another(site: Site) -> None:
    """Forms that come slowly, all of them begun before the first one is answered."""

    head = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST",
        "scheme": "http", "path": "/sign-in", "raw_path": b"/sign-in", "query_string": b"",
        "headers": [(b"host", b"127.0.0.1:8417"), (b"origin", HOME.encode())],
        "client": ("192.0.2.7", 5000), "server": ("127.0.0.1", 8417),
    }  # fmt: skip

    async def one_try(number: int, ready: asyncio.Event) -> int:
        parts = [b"token=lantern-", f"guess-{number:012d}".encode()]
        answers: list[int] = []

        async def receive() -> dict[str, Any]:
            if len(parts) == 1:
                await ready.wait()
            return {"type": "http.request", "body": parts.pop(0), "more_body": bool(parts)}

        async def send(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                answers.append(message["status"])

        await site.client.app(dict(head), receive, send)
        return answers[0]

    async def all_at_once() -> list[int]:
        ready = asyncio.Event()
        tries = [asyncio.create_task(one_try(number, ready)) for number in range(40)]
        await asyncio.sleep(0.05)
        ready.set()
        return await asyncio.gather(*tries)

    answers = asyncio.run(all_at_once())
    assert answers.count(403) == TRIES
    assert answers.count(429) == 40 - TRIES


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
