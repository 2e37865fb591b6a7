"""The pulses of one coil as arrays: a long rehearsal has hundreds of thousands. Pure, numpy."""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from typing import overload

import numpy as np
import numpy.typing as npt

from bridge.virtual_site import TimedPulse
from firmware_protocol.messages import TICK_HZ

Floats = npt.NDArray[np.float64]
Ticks = npt.NDArray[np.int64]


class PulseArrays(Sequence[TimedPulse]):
    """Reads as a sequence of pulses in order of start. The arrays must not be changed."""

    __slots__ = ("on_s", "on_ticks", "start_s", "start_tick")

    def __init__(self, start_s: Floats, on_s: Floats, start_tick: Ticks, on_ticks: Ticks) -> None:
        self.start_s = start_s
        """Seconds of true time."""
        self.on_s = on_s
        self.start_tick = start_tick
        self.on_ticks = on_ticks

    @classmethod
    def of_ticks(cls, start_tick: array[int], on_ticks: array[int]) -> PulseArrays:
        """Of a board whose clock is true."""
        starts = np.array(start_tick, dtype=np.int64)
        on = np.array(on_ticks, dtype=np.int64)
        return cls(starts / TICK_HZ, on / TICK_HZ, starts, on)

    def since(self, zero_s: float) -> PulseArrays:
        """The same with `start_s` counted from there."""
        return PulseArrays(self.start_s - zero_s, self.on_s, self.start_tick, self.on_ticks)

    def __len__(self) -> int:
        return self.start_tick.size

    def __iter__(self) -> Iterator[TimedPulse]:
        columns = (self.start_s, self.on_s, self.start_tick, self.on_ticks)
        return map(TimedPulse, *(column.tolist() for column in columns))

    @overload
    def __getitem__(self, index: int) -> TimedPulse: ...
    @overload
    def __getitem__(self, index: slice) -> PulseArrays: ...
    def __getitem__(self, index: int | slice) -> TimedPulse | PulseArrays:
        if isinstance(index, int):
            return TimedPulse(
                float(self.start_s[index]), float(self.on_s[index]),
                int(self.start_tick[index]), int(self.on_ticks[index]),
            )  # fmt: skip
        return PulseArrays(
            self.start_s[index], self.on_s[index], self.start_tick[index], self.on_ticks[index]
        )

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, PulseArrays)
            and np.array_equal(self.start_s, other.start_s)
            and np.array_equal(self.start_tick, other.start_tick)
            and np.array_equal(self.on_ticks, other.on_ticks)
        )

    def __hash__(self) -> int:
        return hash(self.start_tick.tobytes())
