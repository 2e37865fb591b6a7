"""A running service on simulated boards in this process, with its stops attended. No ports."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from bridge import loop
from bridge.config import Config
from bridge.engine import Act
from bridge.host_clock import host_now
from bridge.interlock import Cause, State
from bridge.local_boards import LocalBoards
from bridge.music.instrument import Instrument
from bridge.service import Service
from bridge.stops.attend import AttendedStops
from bridge.watcher import Watcher
from firmware_protocol.catalogue import State as BoardState
from tests.chain.rig import coil, note_on, site


def config(folder: Path, **more: Any) -> Config:
    base = site([coil("Larkspur", "North", 1)], state_directory=str(folder))
    return Config.model_validate(base.model_dump(exclude_unset=True) | more)


class Running:
    """One armed and sounding site."""

    def __init__(self, built: Config, *watchers: Watcher) -> None:
        self.config = built
        self.boards = LocalBoards(built)
        self.service = Service(
            built, Instrument(built), open_port=self.boards.open, with_midi=False,
            watchers=watchers,
        )  # fmt: skip

    async def until(
        self, probe: Callable[[], object], what: str | Callable[[], str], timeout_s: float = 8.0
    ) -> None:
        deadline = time.monotonic() + timeout_s
        while not probe():
            assert time.monotonic() < deadline, what if isinstance(what, str) else what()
            await asyncio.sleep(0.005)

    def open_checks(self) -> list[str]:
        return [c.name for c in self.service.engine.checks(host_now()) if not c.passed]

    async def arm(self) -> None:
        for _ in range(3):
            self.service.act(Act.HUSH)
            await self.until(lambda: not self.open_checks(), lambda: str(self.open_checks()), 4.0)
            self.service.act(Act.ARM)
            await self.until(lambda: self.state is not State.ARMING, "confirmations")
            if self.cause is not Cause.HOST_STALLED:
                break
            await self.reset()  # a computer that stalls trips, as it must: no matter of these tests
        assert self.state is State.ARMED, self.service.engine.interlock.current_trip

    async def sound(self) -> None:
        self.boards.pulses["Larkspur"].clear()
        self.service.midi_in(host_now(), "keys", note_on(57, 110))
        await self.until(lambda: self.boards.pulses["Larkspur"], "pulses")

    async def reset(self) -> None:
        def again() -> bool:
            self.service.act(Act.RESET)
            return self.state is State.LOCKED

        deadline = time.monotonic() + 5
        while not again():
            assert time.monotonic() < deadline, self.service.engine.interlock.current_trip
            await asyncio.sleep(0.1)

    @property
    def state(self) -> State:
        return self.service.engine.interlock.state

    @property
    def cause(self) -> Cause | None:
        trip = self.service.engine.interlock.current_trip
        return trip.cause if trip else None

    async def tripped(self, cause: Cause, timeout_s: float = 1.5) -> None:
        board = self.boards.boards["North"].controller
        await self.until(lambda: board.state is BoardState.TRIPPED, "the board", timeout_s)
        assert self.cause is cause


def play(built: Config, story: Callable[[Running], Awaitable[None]], *watchers: Watcher) -> Running:
    """Runs the story on an armed, sounding site whose stops are attended."""
    made = Running(built, *watchers)

    async def main() -> None:
        stops = AttendedStops(made.service)
        async with made.boards:
            await stops.open()
            running = asyncio.create_task(made.service.run())
            try:
                await made.boards.prove_estops()
                await made.arm()
                await made.sound()
                await story(made)
            finally:
                made.service.leave()
                await asyncio.gather(running, return_exceptions=True)
                await stops.close()

    loop.run(main())
    return made
