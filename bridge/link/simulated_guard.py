"""The controller's own limits on every single pulse (PROTOCOL.md, section 9).

Promises: no pulse passes that would break on-time, off-time, starts or on-time in any window,
whatever was asked. Sums of slots, so that the memory is of fixed size. Nothing but that rule may
live here; it shares no code with the host's governor.
"""

from __future__ import annotations

from typing import Final

from firmware_protocol.catalogue import GuardReason
from firmware_protocol.messages import GUARD_SLOTS, TICK_HZ, Ceilings, OutputLimits

from .simulated_settings import TICKS_PER_MS

KEPT_SLOTS: Final = GUARD_SLOTS + 1
"""Slots summed, the one in progress included."""
_PASSED: Final = GuardReason.NONE


def slot_ticks(window_ticks: int, max_on_ceiling_ticks: int) -> int:
    """Length of one slot of a window: ⌈(window + longest pulse) / 32⌉ ticks."""
    return -(-(window_ticks + max_on_ceiling_ticks) // GUARD_SLOTS)


class SlidingSum:
    """A quantity per slot, and its sum over the newest `KEPT_SLOTS` slots."""

    __slots__ = ("_newest", "_origin", "_place", "_slot_ticks", "_slots", "end", "total")

    def __init__(self, slot_ticks: int, origin_tick: int) -> None:
        self._slot_ticks = slot_ticks
        self._origin = origin_tick
        self._slots = [0] * KEPT_SLOTS
        self._newest = 0
        self._place = 0
        """Where the newest slot is among those kept."""
        self.end = origin_tick + slot_ticks
        """The first tick that no longer belongs to the newest slot."""
        self.total = 0

    def advance(self, tick: int) -> None:
        """Moves to the slot that holds `tick`, forgetting slots that leave the sum."""
        index = (tick - self._origin) // self._slot_ticks
        steps = index - self._newest
        if steps <= 0:
            return
        if steps >= KEPT_SLOTS:
            self._slots = [0] * KEPT_SLOTS
            self.total = 0
        else:
            for passed in range(self._newest + 1, index + 1):
                place = passed % KEPT_SLOTS
                self.total -= self._slots[place]
                self._slots[place] = 0
        self._newest = index
        self._place = index % KEPT_SLOTS
        self.end = self._origin + (index + 1) * self._slot_ticks

    def add(self, amount: int) -> None:
        """Counts `amount` in the newest slot."""
        self._slots[self._place] += amount
        self.total += amount


class OutputGuard:
    """One output's guard. Without limits it refuses everything. Sums outlive trip and arming."""

    def __init__(self, ceilings: Ceilings, origin_tick: int) -> None:
        self._ceilings = ceilings
        self._origin = origin_tick
        self.limits: OutputLimits | None = None
        self._last_end: int | None = None
        self._starts = self._window(TICK_HZ)
        self._duty_1s = self._window(TICK_HZ)
        self._second: SlidingSum | None = None
        self._third: SlidingSum | None = None

    def _window(self, window_ticks: int) -> SlidingSum:
        return SlidingSum(slot_ticks(window_ticks, self._ceilings.max_on_ticks), self._origin)

    def set_limits(self, limits: OutputLimits) -> None:
        """Takes checked limits. A window that was not there before begins empty."""
        self.limits = limits
        if limits.window2_ms and self._second is None:
            self._second = self._window(limits.window2_ms * TICKS_PER_MS)
        if limits.window3_ms and self._third is None:
            self._third = self._window(limits.window3_ms * TICKS_PER_MS)

    def ended_early(self, tick: int) -> None:
        """The last pulse was cut at `tick`: off-time counts from there, the sums keep it whole."""
        self._last_end = tick

    def take(self, tick: int, on_ticks: int) -> GuardReason:
        """Judges a pulse about to start at `tick`, and counts it if it may. NONE: it may fire."""
        limits = self.limits
        if limits is None or on_ticks > limits.max_on_ticks:
            return GuardReason.ON_TIME
        if self._last_end is not None and tick - self._last_end < limits.min_off_ticks:
            return GuardReason.OFF_TIME
        starts, duty_1s, second, third = self._starts, self._duty_1s, self._second, self._third
        if tick >= starts.end:  # both count in the same slots
            starts.advance(tick)
            duty_1s.advance(tick)
        if starts.total + 1 > limits.max_starts_1s:
            return GuardReason.RATE
        if duty_1s.total + on_ticks > limits.max_duty_1s_ticks:
            return GuardReason.DUTY_1S
        if second is not None:
            if tick >= second.end:
                second.advance(tick)
            if second.total + on_ticks > limits.window2_ticks:
                return GuardReason.DUTY_SECOND
        if third is not None:
            if tick >= third.end:
                third.advance(tick)
            if third.total + on_ticks > limits.window3_ticks:
                return GuardReason.DUTY_THIRD
            third.add(on_ticks)
        if second is not None:
            second.add(on_ticks)
        starts.add(1)
        duty_1s.add(on_ticks)
        self._last_end = tick + on_ticks
        return _PASSED
