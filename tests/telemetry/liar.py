"""A broker that lies: MQTT 5 packets by hand (OASIS standard, chapters 2 and 3; from memory)."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

Talk = Callable[[socket.socket], None]
CONNACK = bytes((0x20, 3, 0, 0, 0))
PINGRESP = bytes((0xD0, 0))
TAKEN_OVER = bytes((0xE0, 2, 0x8E, 0))


def length(count: int) -> bytes:
    """A variable byte integer (section 1.5.5)."""
    out = b""
    while True:
        count, low = divmod(count, 128)
        out += bytes((low | (0x80 if count else 0),))
        if not count:
            return out


def publish(topic: bytes, payload: bytes, *, retain: bool = False) -> bytes:
    body = struct.pack(">H", len(topic)) + topic + b"\x00" + payload
    return bytes((0x31 if retain else 0x30,)) + length(len(body)) + body


def packet(line: socket.socket) -> tuple[int, bytes]:
    """(first byte, the rest) of the next one. Raises EOFError."""

    def take(count: int) -> bytes:
        data = b""
        while len(data) < count:
            more = line.recv(count - len(data))
            if not more:
                raise EOFError
            data += more
        return data

    first, count, shift = take(1)[0], 0, 0
    while True:
        byte = take(1)[0]
        count |= (byte & 127) << shift
        shift += 7
        if not byte & 128:
            return first, take(count)


def greet(line: socket.socket, *codes: int) -> None:
    """Takes the connection and its subscription, each topic with its code."""
    assert packet(line)[0] == 0x10
    line.sendall(CONNACK)
    first, body = packet(line)
    assert first == 0x82
    line.sendall(bytes((0x90, 3 + len(codes))) + body[:2] + b"\x00" + bytes(codes))


class Liar:
    """Does `talk` with each connection, one after the other. A connection that the other end
    closed is counted in `closed`."""

    def __init__(self, talk: Talk) -> None:
        self._talk = talk
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        self.connections = self.closed = 0
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        while True:
            try:
                line, _ = self._listening.accept()
            except OSError:
                return
            self.connections += 1
            self._open.append(line)
            threading.Thread(target=self._one, args=(line,), daemon=True).start()

    def _one(self, line: socket.socket) -> None:
        with contextlib.suppress(OSError, EOFError):
            self._talk(line)
            while line.recv(65536):
                pass
        self.closed += 1
        line.close()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._listening.close()
        for line in self._open:
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)


def until(probe: Callable[[], object], what: Callable[[], object], timeout_s: float = 15.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not probe():
        assert time.monotonic() < deadline, what()
        time.sleep(0.005)
