"""A controller without a guard: PROTOCOL.md sections 7 and 8 read once more, for the tests alone.

It shares no code with the simulated controller. It fires what it is told, lawful or not, so that
the law is seen to hold by the governor alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from firmware_protocol.messages import Slot


@dataclass
class _Train:
    start: int
    grid: int
    period: int
    target: int
    step: int
    on: int
    spread: int
    bangs: int
    last_pulse: int = -(1 << 62)


class PlainScheduler:
    """One output. Ticks are plain integers that never wrap."""

    def __init__(self, output: int, min_off_ticks: int) -> None:
        self._trains: list[_Train | None] = [None] * 4
        self._random = 0xACE1 ^ output
        self._free = -(1 << 62)
        self._min_off = min_off_ticks
        self.pulses: list[tuple[int, int]] = []
        self.wanted = 0
        self.dropped = 0

    def apply(self, tick: int, slots: Sequence[Slot | None]) -> None:
        """A frame takes effect; pulses before `tick` have been fired by `run`."""
        for index in range(4):
            slot = slots[index] if index < len(slots) else None
            train = self._trains[index]
            if slot is None:
                self._trains[index] = None
            elif train is not None and train.start == slot.start:
                train.on, train.spread, train.step = slot.on_ticks, slot.spread, slot.step
                train.target = slot.period
            else:
                self._trains[index] = _Train(
                    start=slot.start,
                    grid=tick * 256 + slot.phase * slot.period // 256,
                    period=slot.period,
                    target=slot.period,
                    step=slot.step,
                    on=slot.on_ticks,
                    spread=slot.spread,
                    bangs=slot.bangs if slot.bangs else -1,
                )

    def run(self, until_tick: int) -> None:
        """Every pulse due before `until_tick`."""
        while True:
            live = [t for t in self._trains if t is not None and t.bangs != 0]
            if not live:
                return
            train = min(live, key=lambda t: (t.grid, t.last_pulse))
            at = max(-(-train.grid // 256), self._free)
            if at >= until_tick:
                return
            self.wanted += 1
            late = 256 * at - train.grid
            if late > train.period / 2:
                self.dropped += 1
            else:
                self.pulses.append((at, train.on))
                self._free = at + train.on + self._min_off
                train.last_pulse = at
            self._move_on(train)

    def _move_on(self, train: _Train) -> None:
        if train.bangs > 0:
            train.bangs -= 1
            if train.bangs == 0:
                return  # after the last bang there is no gap, and no random step
        most = 16 * train.step
        apart = train.target - train.period
        if most == 0 or abs(apart) <= most:
            train.period = train.target
        else:
            train.period += most if apart > 0 else -most
        gap = train.period
        if train.spread:
            x = self._random
            x = (x ^ (x << 7)) & 0xFFFF
            x ^= x >> 9
            x = (x ^ (x << 8)) & 0xFFFF
            self._random = x
            gap += ((train.period >> 8) * train.spread * ((x >> 8) - 128)) >> 7
        train.grid += gap
