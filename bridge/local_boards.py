"""Simulated boards inside this process for every controller whose port is "simulated"."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from functools import partial
from types import TracebackType
from typing import Self

from bridge.config import SIMULATED_PORT, Config, Controller
from bridge.link.simulated_board import SimulatedBoard
from bridge.link.simulated_settings import BoardMemory, BoardSettings, Pulse
from bridge.link.transport import Transport
from bridge.service import open_port
from bridge.virtual_site import TimedPulse


class LocalBoards:
    """The boards, their pulses in true time by coil, and the way to open them."""

    def __init__(self, config: Config, *, keep_pulses: bool = True) -> None:
        self._config = config
        self._keep = keep_pulses
        self._coil_at = {(c.controller, c.output - 1): c.name for c in config.coil}
        self._stack = AsyncExitStack()
        self.boards: dict[str, SimulatedBoard] = {}
        self.pulses: dict[str, list[TimedPulse]] = {c.name: [] for c in config.coil}
        self.hear: Callable[[str, Sequence[TimedPulse]], None] | None = None
        """Told of a coil's pulses once they have ended."""

    async def __aenter__(self) -> Self:
        for controller in self._config.controller:
            if controller.port != SIMULATED_PORT:
                continue
            settings = BoardSettings(
                board_id=int(controller.board_id, 16),
                clock_error_ppm=controller.simulated.clock_error_ppm,
            )
            board = SimulatedBoard(
                settings,
                BoardMemory(),
                baud=controller.baud,
                on_pulses=partial(self._take, controller.name),
            )
            self.boards[controller.name] = await self._stack.enter_async_context(board)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._stack.__aexit__(kind, error, trace)

    def _take(self, controller: str, pulses: Sequence[Pulse]) -> None:
        if not self._keep and self.hear is None:
            return
        link = self.boards[controller].link
        found: dict[str, list[TimedPulse]] = {}
        for pulse in pulses:
            name = self._coil_at.get((controller, pulse.output))
            if name is None:
                continue
            start = link.seconds_at(pulse.start_tick)
            end = link.seconds_at(pulse.start_tick + pulse.on_ticks)
            found.setdefault(name, []).append(
                TimedPulse(start, end - start, pulse.start_tick, pulse.on_ticks)
            )
        for name, timed in found.items():
            if self._keep:
                self.pulses[name] += timed
            if self.hear is not None:
                self.hear(name, timed)

    async def open(self, controller: Controller) -> Transport:
        """The controller's line: in this process where simulated, else its serial port."""
        board = self.boards.get(controller.name)
        return board.transport() if board is not None else await open_port(controller)

    async def prove_estops(self) -> None:
        """Presses and releases the emergency stop of every simulated board: the proof test."""
        for board in self.boards.values():
            await board.prove_estop()
