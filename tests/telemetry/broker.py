"""A real mosquitto on a port of its own, and people at it: paho, which shares no code of ours."""

from __future__ import annotations

import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.ports import free_port

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


class Broker:
    """`lines`: more of its configuration."""

    def __init__(self, folder: Path, *lines: str) -> None:
        self.port = free_port()
        self._file = folder / "mosquitto.conf"
        anonymous = [] if any("password_file" in x for x in lines) else ["allow_anonymous true"]
        text = [f"listener {self.port} 127.0.0.1", "user root", *anonymous, *lines]
        self._file.write_text("\n".join(text) + "\n", encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> Self:
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._file)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.2).close()
                return self
            except OSError:
                assert time.monotonic() < deadline, "mosquitto does not listen"
                assert self._process.poll() is None, "mosquitto ended"
                time.sleep(0.02)

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.kill()


class Person:
    """Hears everything, and may say anything."""

    def __init__(self, port: int, *, user: str = "", ca: Path | None = None) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        if user:
            self._client.username_pw_set(user, f"{user}-secret")
        if ca is not None:
            self._client.tls_set(str(ca), cert_reqs=ssl.CERT_REQUIRED)
        self._subscribed = threading.Event()
        self._client.on_message = self._on_message
        self._client.on_subscribe = lambda *arguments: self._subscribed.set()
        self._client.connect("localhost" if ca else "127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("coilwarden/#", 1)
        assert self._subscribed.wait(5)

    def _on_message(self, client: Any, data: Any, message: paho.MQTTMessage) -> None:
        self.heard.append((message.topic, message.payload, message.retain))

    def say(self, topic: str, payload: str = "", *, retain: bool = False) -> None:
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(5)

    def last(self, topic_end: str) -> bytes:
        return next((p for t, p, _ in reversed(self.heard) if t.endswith(topic_end)), b"")

    def wait_for(self, probe: Callable[[], object], what: str, timeout_s: float = 8.0) -> None:
        deadline = time.monotonic() + timeout_s
        while not probe():
            assert time.monotonic() < deadline, f"{what}: {self.heard[-5:]}"
            time.sleep(0.01)

    def leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


FLOOD = """
import sys, time, socket, struct
port, topics, rate = int(sys.argv[1]), sys.argv[2].split(","), float(sys.argv[3])
def text(t): return struct.pack(">H", len(t)) + t.encode()
line = socket.create_connection(("127.0.0.1", port))
body = text("MQTT") + bytes((4, 2)) + struct.pack(">H", 60) + text("flood")
line.sendall(bytes((0x10, len(body))) + body)
line.recv(4)
def packet(t):
    body = text(t) + b"x" * 40
    return bytes((0x30, len(body))) + body
turn = [packet(t) for t in topics]
begun, sent = time.monotonic(), 0
while True:
    due = int((time.monotonic() - begun) * rate)
    if due > sent:
        line.sendall(b"".join(turn[i % len(turn)] for i in range(sent, due)))
        sent = due
        print(sent, flush=True)
    time.sleep(0.002)
"""
"""MQTT 3.1.1 CONNECT and QoS 0 PUBLISH packets by hand (OASIS standard, sections 3.1 and 3.3; from
memory), since a client library takes too much of the processor for such a rate."""


class Flood:
    """A process that publishes `rate` messages a second on the topics, in turn."""

    def __init__(self, port: int, topics: list[str], rate: float) -> None:
        import sys  # noqa: PLC0415

        self._process = subprocess.Popen(
            [sys.executable, "-c", FLOOD, str(port), ",".join(topics), str(rate)],
            stdout=subprocess.PIPE,
            text=True,
        )
        self._begun_s = time.monotonic()
        self._sent = 0
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._sent = int(line)

    def per_second(self) -> float:
        return self._sent / (time.monotonic() - self._begun_s)

    def end(self) -> int:
        """Messages sent."""
        self._process.kill()
        self._process.wait()
        self._thread.join(5)
        assert self._process.stdout is not None
        self._process.stdout.close()
        return self._sent
