"""A service on the true clock with two simulated boards in this process (no ports, no MIDI)."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any

from bridge import loop
from bridge.clocks import HostS
from bridge.config import Config, Controller
from bridge.engine import Act
from bridge.interlock import Cause, State
from bridge.link.transport import Transport
from bridge.local_boards import LocalBoards
from bridge.music.instrument import Instrument
from bridge.records import Record
from bridge.service import Service
from bridge.source import VoiceSource
from bridge.watcher import Watcher
from firmware_protocol.catalogue import State as BoardState
from tests.chain.rig import coil, note_on, site

NOW: Callable[[], float] = time.monotonic


class Kept(Watcher):
    """Keeps the records."""

    def __init__(self, records: list[Record]) -> None:
        self._records = records

    def recorded(self, at_s: HostS, record: Record) -> None:
        self._records.append(record)


class Site:
    """Two racks, armed and sounding."""

    def __init__(
        self,
        folder: Path,
        source: Callable[[Config], VoiceSource] = Instrument,
        inputs: Sequence[dict[str, Any]] | None = None,
    ) -> None:
        self.config: Config = site(
            [coil("Larkspur", "North", 1), coil("Foxglove", "South", 1)],
            inputs=inputs,
            music={"routes": [{"coils": ["Larkspur", "Foxglove"]}]},
            state_directory=str(folder),
        )
        self.boards = LocalBoards(self.config)
        self.records: list[Record] = []
        self.transports: dict[str, Any] = {}
        self.service = Service(
            self.config,
            source(self.config),
            open_port=self._open,
            with_midi=False,
            watchers=[Kept(self.records)],
        )

    async def _open(self, controller: Controller) -> Transport:
        transport = await self.boards.open(controller)
        self.transports[controller.name] = transport
        return transport

    def states(self) -> list[BoardState]:
        return [self.boards.boards[n].controller.state for n in ("North", "South")]

    async def until(self, probe: Callable[[], bool], what: str, timeout_s: float = 8.0) -> None:
        deadline = NOW() + timeout_s
        while not probe():
            assert NOW() < deadline, what
            await asyncio.sleep(0.01)

    async def arm_and_sound(self) -> None:
        await self.boards.prove_estops()
        await self.until(
            lambda: all(c.passed for c in self.service.engine.checks(NOW())), "the arming list"
        )
        self.service.act(Act.ARM)
        await self.until(
            lambda: self.service.engine.interlock.state is not State.ARMING, "confirmations"
        )
        assert self.service.engine.interlock.state is State.ARMED
        self.service.midi_in(NOW(), "keys", note_on(57, 110))
        await self.until(lambda: all(self.boards.pulses.values()), "pulses on both coils")


def play(
    folder: Path,
    story: Callable[[Site], Awaitable[None]],
    prepare: Callable[[Site], None] = lambda made: None,
    made: Site | None = None,
) -> Site:
    made = made or Site(folder)
    prepare(made)

    async def main() -> None:
        async with made.boards:
            running = asyncio.create_task(made.service.run())
            try:
                await made.arm_and_sound()
                await story(made)
            finally:
                made.service.leave()
                await asyncio.gather(running, return_exceptions=True)

    loop.run(main())
    return made


async def tripped(made: Site, cause: Cause) -> None:
    await made.until(
        lambda: made.states() == [BoardState.TRIPPED] * 2, "both boards tripped", timeout_s=1.0
    )
    trip = made.service.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause is cause
