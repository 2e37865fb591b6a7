"""`coilwarden stop` from another shell: a socket in the state directory, for its owner alone.

One line in, one line of JSON out. The only word it knows that does anything is stop.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import time
from collections.abc import Generator
from pathlib import Path
from typing import Any, cast

from bridge.interlock import NOT_SAFE, Cause, State
from bridge.latch_store import LatchStore
from bridge.record_line import trip_text
from bridge.service import Service

CONFIRM_S = 0.4
"""How long the answer waits for the controllers to confirm."""
ANSWER_S = 2.0
ANOTHER_SHELL = "another shell"
_LONGEST_LINE = 200
_LONGEST_ANSWER = 1 << 20
OTHERWISE = (
    "Press the emergency button. Then: the space bar where the daemon runs, or `kill -TERM` its "
    f"process. {NOT_SAFE}"
)
"""What else an operator can do whose stop did not arrive."""


def socket_path(store: LatchStore) -> Path:
    return store.path.with_suffix(".socket")


class StopFailedError(Exception):
    """The daemon could not be told; the text says what else to do."""


@contextlib.contextmanager
def _address(path: Path) -> Generator[str]:
    """A name for the socket that is short enough: the system takes 107 bytes."""
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}" if len(os.fsencode(path)) > 100 else str(path)
    finally:
        os.close(folder)


class StopSocket:
    """The daemon's end."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._path = socket_path(service.store)
        self._server: asyncio.AbstractServer | None = None

    async def open(self) -> None:
        """Listens. Raises OSError. The latch's lock says that no other daemon is here."""
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
        with _address(self._path) as address:
            before = os.umask(0o177)
            try:
                listening.bind(address)
            finally:
                os.umask(before)
        self._server = await asyncio.start_unix_server(
            self._answer, sock=listening, limit=_LONGEST_LINE
        )

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()
            with contextlib.suppress(FileNotFoundError):
                self._path.unlink()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            line = await asyncio.wait_for(reader.readline(), ANSWER_S)
            word = line.decode("utf-8", "replace").strip()
            if word == "stop":
                self._service.stop(Cause.OPERATOR_STOP, f"from {ANOTHER_SHELL}", ANOTHER_SHELL)
                await self._confirmed()
            writer.write(json.dumps(self._state(word)).encode() + b"\n")
            await asyncio.wait_for(writer.drain(), ANSWER_S)
        except (OSError, TimeoutError, ValueError):  # whoever asked is gone, or said no line
            pass
        finally:
            writer.close()

    async def _confirmed(self) -> None:
        until = asyncio.get_running_loop().time() + CONFIRM_S
        while asyncio.get_running_loop().time() < until:
            if not any(s.stopping for s in self._service.engine.sessions.values()):
                return
            await asyncio.sleep(0.004)

    def _state(self, word: str) -> dict[str, Any]:
        engine = self._service.engine
        trip = engine.interlock.current_trip
        return {
            "known": word in ("stop", "state"),
            "site": engine.config.site.name,
            "state": engine.interlock.state.value,
            "trip": trip_text(trip) if trip else "",
            "controllers": {
                name: "not connected"
                if not session.facts(engine.seen_s).linked
                else "stop not confirmed yet"
                if session.stopping
                else "stopped"
                if engine.interlock.state is State.TRIPPED
                else "connected"
                for name, session in engine.sessions.items()
            },
            "caution": "" if engine.interlock.state is State.ARMED else NOT_SAFE,
        }


def ask(store: LatchStore, word: str) -> dict[str, Any]:
    """The other end: says the word to the running daemon. Raises StopFailedError."""
    path = socket_path(store)
    try:
        return _answer_to(path, word)
    except (FileNotFoundError, ConnectionRefusedError) as error:
        raise StopFailedError(
            f"{path}: no daemon runs this site here ({error.strerror}); nothing was stopped. "
            f"{OTHERWISE}"
        ) from error
    except TimeoutError as error:
        raise StopFailedError(f"{path}: the daemon did not answer in time. {OTHERWISE}") from error
    except OSError as error:
        raise StopFailedError(f"{path}: {error.strerror}. {OTHERWISE}") from error
    except ValueError as error:
        raise StopFailedError(
            f"{path}: what answers there is no daemon of this program ({error}). {OTHERWISE}"
        ) from error


def _answer_to(path: Path, word: str) -> dict[str, Any]:
    """Raises OSError; ValueError for an answer that is none."""
    until_s = time.monotonic() + ANSWER_S + CONFIRM_S
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(ANSWER_S + CONFIRM_S)
        with _address(path) as address:
            asking.connect(address)
        asking.sendall(word.encode() + b"\n")
        data = b""
        while not data.endswith(b"\n"):
            asking.settimeout(max(0.001, until_s - time.monotonic()))
            more = asking.recv(65536)
            if not more:
                raise ValueError("it closed the line without an answer")
            data += more
            if len(data) > _LONGEST_ANSWER:
                raise ValueError("it does not end its answer")
    answer = json.loads(data)
    keys = {"site", "state", "trip", "controllers", "caution", "known"}
    if not isinstance(answer, dict) or not keys <= answer.keys():
        raise ValueError("its answer lacks what ours says")
    return cast(dict[str, Any], answer)
