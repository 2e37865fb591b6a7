"""What the messages of both directions share: numbers, limits, errors, tick counts. Sans I/O."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final, Self

from .catalogue import Reason

VERSION = 1
TICK_HZ: Final = 2_000_000
"""Nominal ticks a second of the reference board (0.5 µs); Identity carries the board's own."""
PERIOD_UNITS_PER_TICK: Final = 256
STEP_UNITS: Final = 16
"""A slot's `step` counts 16 period units = 1/16 tick."""
MAX_SLOTS: Final = 4
MAX_LEASE_TICKS = TICK_HZ // 4
MAX_AHEAD_TICKS = TICK_HZ // 4
MAX_LATE_TICKS = TICK_HZ // 50
GUARD_SLOTS: Final = 32
FLAG_IMMEDIATE = 0x01
FLAG_FORGET_LATER = 0x02
PING_WANTS_NONCE = 0x01

INPUT_ESTOP_A = 0x01
INPUT_ESTOP_B = 0x02
INPUT_KEY = 0x04
INPUT_LOCAL_STOP = 0x08
INPUT_READY_1 = 0x10
"""Ready inputs of outputs 0..3 are bits 4..7."""
CHECK_FUSES = 0x01
CHECK_FLASH = 0x02


class MessageError(Exception):
    """A frame whose payload is no lawful message; `reason` is what a controller would answer."""

    def __init__(self, reason: Reason, text: str) -> None:
        super().__init__(text)
        self.reason = reason


def unpack(layout: struct.Struct, payload: bytes, name: str) -> tuple[int, ...]:
    """The fields of a payload of this very size. Raises MessageError."""
    if len(payload) != layout.size:
        raise MessageError(
            Reason.WRONG_LENGTH, f"{name}: {len(payload)} bytes, must be {layout.size}"
        )
    return layout.unpack(payload)


@dataclass(frozen=True, slots=True)
class OutputLimits:
    """What one output may do, in ticks. A window of 0 ms is not there."""

    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHHHIHIHI")
    output: int
    max_on_ticks: int
    min_off_ticks: int
    max_starts_1s: int
    max_duty_1s_ticks: int
    """On-time in any 1 s."""
    window2_ms: int = 0
    window2_ticks: int = 0
    window3_ms: int = 0
    window3_ticks: int = 0

    def payload(self) -> bytes:
        return self.LAYOUT.pack(
            self.output,
            self.max_on_ticks,
            self.min_off_ticks,
            self.max_starts_1s,
            self.max_duty_1s_ticks,
            self.window2_ms,
            self.window2_ticks,
            self.window3_ms,
            self.window3_ticks,
        )

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*unpack(cls.LAYOUT, payload, "limits"))


def limits_digest(build: int, board_id: int, boot_id: int, limits: Sequence[OutputLimits]) -> int:
    """CRC-32 (IEEE 802.3) over build, board id, boot id and each output's limits by output."""
    data = struct.pack("<III", build, board_id, boot_id)
    for item in sorted(limits, key=lambda one: one.output):
        data += item.payload()
    return zlib.crc32(data)


def ticks_between(later: int, earlier: int) -> int:
    """Signed difference of two tick counts modulo 2**32, in -2**31 .. 2**31 - 1."""
    return ((later - earlier + 0x8000_0000) & 0xFFFF_FFFF) - 0x8000_0000
