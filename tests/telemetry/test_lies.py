"""A broker that lies, floods or drops, at the link alone: what comes of it."""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Generator
from itertools import count
from typing import Any

import pytest

from bridge.interlock import Latch
from bridge.telemetry import client as client_module
from bridge.telemetry import link as link_module
from bridge.telemetry.config_mqtt import Mqtt
from bridge.telemetry.link import MqttLink
from bridge.telemetry.load import MOST_BUSY_S, MOST_PACKET_BYTES, WINDOW_S, Load
from bridge.telemetry.watcher import Telemetry
from tests.telemetry.liar import (
    CONNACK,
    PINGRESP,
    TAKEN_OVER,
    Liar,
    Talk,
    greet,
    length,
    packet,
    publish,
    until,
)

STOP = b"coilwarden/depot/stop"


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A line that is dropped before the greeting is noticed by the wait for it alone."""
    monkeypatch.setattr(client_module, "ANSWER_S", 0.3)


class Heard:
    """What a link did to its site."""

    def __init__(self) -> None:
        self.stops: list[str] = []
        self.retained: list[tuple[str, ...]] = []
        self.lines: list[str] = []

    def told(self, part: str) -> bool:
        return any(part in line for line in self.lines)


@contextlib.contextmanager
def at(talk: Talk, **more: Any) -> Generator[tuple[Heard, Liar]]:
    """A link at a broker that talks so."""
    heard = Heard()
    with Liar(talk) as liar:
        made = MqttLink(
            Mqtt(host="127.0.0.1", port=liar.port, bridge="north-yard", site="depot"),
            Telemetry(Latch(), 0.0).waiting,
            call_soon=lambda call: call(),
            stop=heard.stops.append,
            retained=heard.retained.append,
            say=heard.lines.append,
            **more,
        )
        made.start()
        yield heard, liar
    # The liar is gone, so nothing is waited for.
    made.close(10.0)
    assert not made._thread.is_alive()  # pyright: ignore[reportPrivateUsage]


@pytest.mark.parametrize(
    "data",
    [
        publish(b"coilwarden/depot/stop/x", b"x"),
        publish(b"coilwarden/depot/bridge/south-yard/stop", b"x"),
        publish(b"coilwarden/depot/bridge/north-yard/arm", b"x"),
        publish(b"coilwarden/#", b"x"),
        publish(b"+/depot/stop", b"x"),
        publish(b"\xff\xfe", b"x"),
        publish(b"", b"x"),
        bytes((0xF0, 0)),
        bytes((0x30, 0xFF, 0xFF, 0xFF, 0xFF, 0x7F)),
        b"HTTP/1.1 200 OK\r\n\r\n" * 9,
    ],
)
def test_what_nobody_asked_for_does_nothing_and_a_stop_after_it_stops(
    data: bytes, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(link_module, "BACKOFF_S", (0.01,))
    turn = count()
    stopped_by_the_lie: list[int] = []

    def talk(line: socket.socket) -> None:
        greet(line, 1, 1)
        if next(turn) == 0:
            line.sendall(data)
            # Nothing follows: whatever comes of it comes of this alone.
            line.settimeout(0.3)
            with contextlib.suppress(TimeoutError):
                while line.recv(4096):
                    pass
            line.close()
        else:
            stopped_by_the_lie.append(len(heard.stops))
            line.sendall(publish(STOP, b"x"))

    with at(talk) as (heard, liar):
        until(lambda: heard.stops, lambda: heard.lines)
        assert stopped_by_the_lie == [0]
        assert set(heard.retained) == {()}
        until(lambda: liar.closed >= 1, lambda: "the line of the lie stays open")
    assert capfd.readouterr().err == ""


def test_a_stop_topic_it_does_not_let_be_read_is_told_and_no_connection(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(link_module, "BACKOFF_S", (0.01,))
    with at(lambda line: greet(line, 1, 0x87)) as (heard, liar):
        until(lambda: heard.told("does not let coilwarden/depot/stop be read"), lambda: heard.lines)
        until(lambda: liar.closed >= 1, lambda: "its line stays open")
        assert not heard.told("connected")


def test_another_daemon_of_the_same_name_is_told() -> None:
    def talk(line: socket.socket) -> None:
        greet(line, 1, 1)
        line.sendall(TAKEN_OVER)

    with at(talk) as (heard, _):
        until(lambda: heard.told("another daemon has this name"), lambda: heard.lines)


@pytest.mark.parametrize("greets", [False, True])
def test_a_broker_that_takes_and_drops_is_asked_less_and_less(
    greets: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "BACKOFF_S", (0.01, 0.02, 3600.0))

    def talk(line: socket.socket) -> None:
        if greets:
            greet(line, 1, 1)
        line.close()

    with at(talk) as (heard, liar):
        until(lambda: liar.connections == 3, lambda: heard.lines)
        time.sleep(0.4)
        assert liar.connections == 3


def test_a_connection_that_lasted_is_followed_by_a_short_wait(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(link_module, "BACKOFF_S", (0.01, 3600.0))
    monkeypatch.setattr(link_module, "STEADY_S", 0.0)

    def talk(line: socket.socket) -> None:
        greet(line, 1, 1)
        packet(line)  # its state
        line.close()

    with at(talk) as (heard, liar):
        until(lambda: liar.connections >= 4, lambda: heard.lines)


def test_a_broker_that_never_greets_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_module, "BACKOFF_S", (0.01,))
    monkeypatch.setattr(link_module, "CONNECT_S", 0.1)
    with at(lambda line: None) as (heard, liar):
        until(lambda: liar.closed >= 2, lambda: heard.lines)
        assert heard.told("TimeoutError")


def test_a_flood_of_stops_fills_no_terminal(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(link_module, "FLOODED_WAIT_S", 3600.0)

    def talk(line: socket.socket) -> None:
        greet(line, 1, 1)
        line.sendall(publish(STOP, b"x") * 3000)

    with at(talk) as (heard, liar):
        until(lambda: heard.told("floods"), lambda: heard.lines)
        until(lambda: liar.closed == 1, lambda: "it is still listened to")
        assert heard.stops
    assert caplog.records == []
    assert len(heard.lines) == 2


@pytest.mark.parametrize("greets", [False, True])
def test_a_flood_of_anything_is_left_alone(greets: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Answers to pings that nobody sent: no message, and yet work."""
    monkeypatch.setattr(link_module, "FLOODED_WAIT_S", 3600.0)

    def talk(line: socket.socket) -> None:
        if greets:
            greet(line, 1, 1)
        while True:
            line.sendall(PINGRESP * 1000)

    # As busy as can be, whatever this machine takes.
    with at(talk, busy_clock=time.monotonic) as (heard, liar):
        until(lambda: heard.told("floods"), lambda: heard.lines)
        until(lambda: liar.closed == 1, lambda: "it is still listened to")


def test_a_packet_of_a_quarter_of_a_gigabyte_is_not_waited_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(link_module, "FLOODED_WAIT_S", 3600.0)
    sent: list[int] = []

    def talk(line: socket.socket) -> None:
        greet(line, 1, 1)
        whole = (1 << 28) - 1
        line.sendall(b"\x30" + length(whole) + b"\x00\x15" + STOP)
        line.sendall(b"\x00")  # and then nothing: its length alone is too much
        sent.append(1)

    with at(talk) as (heard, liar):
        until(lambda: heard.told("floods"), lambda: heard.lines)
        until(lambda: liar.closed == 1, lambda: "it is still waited for")
        assert sent
        assert not heard.stops


def test_it_is_told_how_long_a_packet_may_be_and_such_a_stop_stops() -> None:
    asked: list[bytes] = []

    def talk(line: socket.socket) -> None:
        _, body = packet(line)
        asked.append(body)
        line.sendall(CONNACK)
        _, body = packet(line)
        line.sendall(b"\x90\x05" + body[:2] + b"\x00\x01\x01")
        line.sendall(publish(STOP, b'{"by":"' + b"x" * (MOST_PACKET_BYTES - 100)))

    with at(talk) as (heard, _):
        until(lambda: heard.stops, lambda: heard.lines)
        assert "somebody who gave no name" in heard.stops[0]
        # Property 0x27, Maximum Packet Size (section 3.1.2.11.4).
        assert b"\x27" + MOST_PACKET_BYTES.to_bytes(4, "big") in asked[0]


def test_load_is_counted_by_the_window_and_the_packet() -> None:
    load = Load(10.0, 5.0)
    for step in range(1, 2000):  # just allowed, for ever
        now_s = 10.0 + step * WINDOW_S
        assert not load.too_much(now_s, 5.0 + step * MOST_BUSY_S * 0.999, MOST_PACKET_BYTES)
    load = Load(10.0, 5.0)
    assert load.too_much(10.01, 5.0 + MOST_BUSY_S * 1.001, 0)
    assert Load(10.0, 5.0).too_much(10.01, 5.0, MOST_PACKET_BYTES + 1)
