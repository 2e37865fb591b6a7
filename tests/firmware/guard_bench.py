"""One guard of the C core, asked function by function."""

from __future__ import annotations

import ctypes

from firmware_protocol.catalogue import GuardReason
from firmware_protocol.messages import Ceilings, OutputLimits
from tests.link.board_bench import LIMITS

from .library import CCeilings, CLimits, CUptime, library

CEILINGS = Ceilings(800, 200, 2000, 240_000)
SECOND = 2_000_000
SLOT_1S = 62_525
"""By hand: (2,000,000 + 800) / 32."""
M32 = 0xFFFF_FFFF
NONE = GuardReason.NONE


def c_limits(one: OutputLimits) -> CLimits:
    return CLimits(
        CCeilings(one.max_on_ticks, one.min_off_ticks, one.max_starts_1s, one.max_duty_1s_ticks),
        one.window2_ms,
        one.window3_ms,
        one.window2_ticks,
        one.window3_ticks,
    )


class Guard:
    """One `struct guard`; ticks may be extended."""

    def __init__(self, limits: OutputLimits | None = LIMITS, origin: int = 0) -> None:
        self.core = library()
        self.memory = ctypes.create_string_buffer(self.core.cw_guard_size())
        self.origin = origin
        self.core.guard_start(self.memory, CEILINGS.max_on_ticks, origin & M32)
        if limits is not None:
            self.set_limits(limits, origin)

    def set_limits(self, limits: OutputLimits, now: int) -> None:
        uptime = now - self.origin
        self.core.guard_set_limits(
            self.memory, c_limits(limits), now & M32, CUptime(uptime >> 32, uptime & M32)
        )

    def judge(self, start: int, on: int) -> int:
        return self.core.guard_judge(self.memory, start & M32, on)

    def prepare(self, start: int, on: int) -> int:
        """Judges, and prepares what is lawful."""
        reason = self.judge(start, on)
        if reason == NONE:
            assert self.core.guard_prepare(self.memory, start & M32, on)
        return reason

    def started(self) -> None:
        assert self.core.guard_started(self.memory)

    def take(self, start: int, on: int) -> int:
        """Judges, and fires what is lawful."""
        reason = self.prepare(start, on)
        if reason == NONE:
            self.started()
        return reason

    def withdraw(self, kept: int = 0) -> None:
        self.core.guard_withdrawn(self.memory, kept)

    def cut(self, now: int) -> None:
        self.core.guard_cut(self.memory, now & M32)

    def go_on(self, now: int) -> None:
        self.core.guard_pass(self.memory, now & M32)
