"""The bench of tests/link around the C core instead of the Python model."""

from __future__ import annotations

from typing import Any

from bridge.link.simulated_settings import BoardMemory, BoardSettings
from firmware_protocol.catalogue import ResetCause
from firmware_protocol.messages import ControllerMessage, Status
from tests.link.board_bench import BOARD, Bench

from .core import CoreBoard


class CoreBench(Bench):
    """As `Bench`; `port` goes to `CoreBoard`. `last_status` is the newest that the board sent."""

    board: CoreBoard  # pyright: ignore[reportIncompatibleVariableOverride]

    def __init__(
        self,
        settings: BoardSettings = BOARD,
        memory: BoardMemory | None = None,
        power_on: ResetCause = ResetCause.POWER_ON,
        **port: Any,
    ) -> None:
        super().__init__(settings)  # its own model is not asked anything
        self.memory = BoardMemory() if memory is None else memory
        self.board = CoreBoard(settings, self.memory, power_on=power_on, **port)
        self.last_status: Status | None = None
        self.messages: list[tuple[int, ControllerMessage]] = []

    def collect(self) -> list[ControllerMessage]:
        messages = super().collect()
        for message in messages:
            self.messages.append((self.tick, message))
            if isinstance(message, Status):
                self.last_status = message
        return messages

    def status(self) -> Status:
        """The newest status: not older than 50 ms, and of the last change."""
        self.collect()
        assert self.last_status is not None
        return self.last_status
