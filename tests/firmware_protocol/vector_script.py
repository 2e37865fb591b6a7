"""What a script of `trains.json` is: what happens to a board, tick by tick.

Each is lived through by the model when the vectors are made, and by every controller that is
compared with it.

They are for boards, too, whose line and main loop take their time: between a frame and what is to
be seen of it there is more than the 1.5 ms in which such a board may differ, and what changes
at a frame waits until a board has read it. With `LINE` each frame takes the time of its bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from bridge.link.simulated_controller import BoardMemory, BoardSettings
from firmware_protocol.catalogue import ResetCause
from firmware_protocol.messages import OutputLimits
from tests.link.board_bench import BOARD, MS, Bench


@dataclass(frozen=True)
class Script:
    """A board, what it remembers, and what happens to it."""

    play: Callable[[Bench], None]
    settings: BoardSettings = BOARD
    memory: BoardMemory | None = None
    power_on: ResetCause = ResetCause.POWER_ON
    byte_ticks: int = 0


LINE = 40
"""Ticks of a byte at 500 kbaud."""
STORED = 100 * MS
"""More than it takes to write what outlives a power-off."""


def bench_for(script: Script) -> Bench:
    memory = None if script.memory is None else replace(script.memory)
    bench = Bench(script.settings, memory, script.power_on)
    bench.byte_ticks = script.byte_ticks
    return bench


def armed(bench: Bench, *limits: OutputLimits) -> None:
    """Armed, and left alone while a real board's line and main loop get done with that."""
    bench.armed(*limits)
    bench.advance(10 * MS)


def keep_in(
    scripts: dict[str, Script],
    name: str,
    settings: BoardSettings = BOARD,
    *,
    memory: BoardMemory | None = None,
    power_on: ResetCause = ResetCause.POWER_ON,
    byte_ticks: int = 0,
) -> Callable[[Callable[[Bench], None]], Callable[[Bench], None]]:
    """A decorator that puts what it decorates among `scripts`, by this name."""

    def keep(play: Callable[[Bench], None]) -> Callable[[Bench], None]:
        scripts[name] = Script(play, settings, memory, power_on, byte_ticks)
        return play

    return keep
