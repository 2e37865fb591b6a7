"""All stops beside the controllers' own, beside a running service. On the loop's thread.

What fails in here fails in a callback of the loop; the service takes that for a fault and stops.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial

import serial

from bridge.host_clock import host_now
from bridge.service import Service
from bridge.stops.button import ModemLines, WatchedButton, open_lines
from bridge.stops.challenge import LATE_S, Finding
from bridge.stops.condition import Condition
from bridge.stops.keypad import Keypad
from bridge.stops.proofs import ProofStore, unproven
from bridge.stops.shell_socket import StopSocket
from bridge.stops.steps import stop_steps

LOOK_S = 0.047
KEYPAD_AGAIN_S = 0.5
PROOF_S = 20.0
"""A proof ends with its day; looked up so often, and when the date changes."""


def local_now() -> datetime:
    """With its offset."""
    return datetime.fromtimestamp(time.time()).astimezone()


def until_midnight_s(now: datetime) -> float:
    """Seconds until the date of a local time changes."""
    tomorrow = (now + timedelta(days=1)).replace(hour=0, minute=0, second=0, microsecond=0)
    return (tomorrow - now).total_seconds()


class AttendedStops:
    """Opened before the service runs, closed after it has ended."""

    def __init__(
        self, service: Service, open_port: Callable[[str], ModemLines] = open_lines
    ) -> None:
        self._service = service
        config = service.config
        self._loop = asyncio.get_running_loop()
        self._socket = StopSocket(service)
        self._timers: dict[str, asyncio.TimerHandle] = {}
        ports = {os.path.realpath(c.port): c.name for c in config.controller}

        def open_own(port: str) -> ModemLines:
            # By whatever name: opening it raises DTR, and the board resets.
            board = ports.get(os.path.realpath(port))
            if board is not None:
                raise serial.SerialException(
                    f"{port} leads to controller {board}; the button needs an adapter of its own"
                )
            return open_port(port)

        self._buttons = [
            WatchedButton(
                partial(open_own, stop.port),
                partial(self._found, stop.name),
                self._loop.call_soon_threadsafe,
                late_s=LATE_S,
            )
            for stop in config.stop
            if stop.kind == "button_line"
        ]
        switch = config.dead_man
        self._keypads = {
            stop.name: Keypad(
                stop.port, switch.key_code if switch and switch.stop == stop.name else None
            )
            for stop in config.stop
            if stop.kind == "keypad"
        }
        self._said: dict[str, Finding] = {}
        self._steps = stop_steps(config)
        self._proofs = ProofStore(config)
        self._proven: tuple[str, ...] | None = None

    async def open(self) -> None:
        """Begins. Raises OSError where the socket for another shell cannot be had."""
        await self._socket.open()
        for button in self._buttons:
            button.start()
        if self._buttons:
            self._look()
        for name in self._keypads:
            self._open_keypad(name)
        if self._service.config.site.require_todays_proof:
            self._look_up_proof()

    async def close(self) -> None:
        for timer in self._timers.values():
            timer.cancel()
        for button in self._buttons:
            button.end()
        for pad in self._keypads.values():
            if pad.descriptor >= 0:
                self._loop.remove_reader(pad.descriptor)
            pad.close()
        await self._socket.close()

    def _found(self, name: str, finding: Finding) -> None:
        if self._said.get(name) != finding:
            self._said[name] = finding
            self._service.stop_input(name, finding.condition, finding.detail)

    def _later(self, what: str, after_s: float, call: Callable[[], None]) -> None:
        self._timers[what] = self._loop.call_later(after_s, call)

    def _look(self) -> None:
        # First, so that an error in one look does not end the looking.
        self._later("look", LOOK_S, self._look)
        for button in self._buttons:
            button.look(host_now())

    def _open_keypad(self, name: str) -> None:
        pad = self._keypads[name]
        self._found(name, pad.open())
        if pad.descriptor >= 0:
            self._loop.add_reader(pad.descriptor, self._read_keypad, name)
        else:
            self._later(name, KEYPAD_AGAIN_S, partial(self._open_keypad, name))

    def _read_keypad(self, name: str) -> None:
        pad = self._keypads[name]
        for said in pad.read():
            if isinstance(said, bool):
                self._service.hold(said)
                continue
            self._found(name, said)
            if said.condition is Condition.ABSENT:
                self._loop.remove_reader(pad.descriptor)
                pad.close()
                self._later(name, KEYPAD_AGAIN_S, partial(self._open_keypad, name))

    def _look_up_proof(self) -> None:
        now = local_now()
        self._later("proof", min(PROOF_S, until_midnight_s(now) + 0.01), self._look_up_proof)
        # In a thread: the disk may be slow, and music may play.
        self._loop.run_in_executor(None, self._find_proof, now).add_done_callback(self._proof_found)

    def _find_proof(self, now: datetime) -> tuple[str, ...]:
        kept = self._proofs.load()
        found = unproven(kept, self._steps, now)
        if not kept.set_back(now):
            with contextlib.suppress(OSError):  # a time that cannot be kept proves nothing
                self._proofs.note(kept, now)
        return found

    def _proof_found(self, looking: asyncio.Future[tuple[str, ...]]) -> None:
        if looking.cancelled():
            return
        found = looking.result()
        if found != self._proven:
            self._proven = found
            self._service.proven(found)
