"""What a simulated controller board is made with, and what it remembers without power.

Only values live here: settings fixed at commissioning (`BoardSettings`), the few bytes that
survive a reset (`BoardMemory`), and the numbers of PROTOCOL.md that the model's parts share.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from firmware_protocol.catalogue import Cause, State
from firmware_protocol.messages import (
    CHECK_FLASH,
    CHECK_FUSES,
    COMPILED_CEILINGS,
    TICK_HZ,
    Ceilings,
)

TICKS_PER_MS = TICK_HZ // 1000
WIRE_MASK = 0xFFFF_FFFF
FOREVER: Final = 1 << 62
"""A tick that never comes: 'no such event'."""
STATUS_TICKS = 50 * TICKS_PER_MS
NONCE_LIFE_TICKS = 2 * TICK_HZ
CLOSING_TICKS = 100 * TICKS_PER_MS
"""An e-stop input counts as closed again after this long closed."""
DISAGREE_TICKS = 10 * TICKS_PER_MS
MAX_GUARD_REFUSALS = 16
"""Guard refusals since arming that are still no trip."""


@dataclass(frozen=True)
class BoardSettings:
    """One board. `ceilings` has one entry for each output, or is empty: the compiled ceilings.

    `first_tick` is the (extended) tick at which the program starts; the wire shows it modulo
    2**32. `clock_error_ppm` is how much faster than nominal the board's clock runs: the pure model
    counts ticks only, whoever maps seconds to ticks uses `true_tick_hz`.
    """

    board_id: int
    build: int = 1
    outputs: int = 4
    ceilings: tuple[Ceilings, ...] = ()
    queue_frames: int = 16
    horn_ms: int = 0
    clock_error_ppm: float = 0.0
    first_tick: int = 0
    checks: int = CHECK_FUSES | CHECK_FLASH
    flash_crc: int = 0x5EED_C0DE
    fuse_low: int = 0xFF
    fuse_high: int = 0xC7
    fuse_extended: int = 0xFC
    lock_bits: int = 0xFF

    def __post_init__(self) -> None:
        if not 1 <= self.outputs <= 4:
            raise ValueError(f"outputs must be 1 to 4, not {self.outputs}")
        if self.ceilings and len(self.ceilings) != self.outputs:
            raise ValueError(f"{len(self.ceilings)} ceilings for {self.outputs} outputs")
        if not 1 <= self.queue_frames <= 255:
            raise ValueError(f"queue_frames must be 1 to 255, not {self.queue_frames}")
        if self.first_tick < 0:
            raise ValueError("first_tick must not be negative")

    @property
    def ceilings_by_output(self) -> tuple[Ceilings, ...]:
        return self.ceilings or (COMPILED_CEILINGS,) * self.outputs

    @property
    def true_tick_hz(self) -> float:
        """Ticks in one true second."""
        return TICK_HZ * (1.0 + self.clock_error_ppm * 1e-6)


@dataclass
class BoardMemory:
    """What a board keeps through reset and power-off. The controller writes it; keep it and pass
    the same one to the next start."""

    state: State = State.LOCKED
    cause: Cause = Cause.NONE
    trip_number: int = 0
    boot_id: int = 0
    """Of the last start; each start counts it up first."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """One pulse as it left an output, in extended ticks (they never wrap)."""

    output: int
    start_tick: int
    on_ticks: int
    """Light on for this long; a pulse cut short by a trip carries what was left of it."""
