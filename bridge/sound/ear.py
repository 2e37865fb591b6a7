"""What the listening device asks for, made of bangs; and when it will be heard. No device in here.

A bang is heard `latency_s` after it was fired, always the same: so pitch and rhythm stay as fired.
One that came here too late for that is left out and counted: what a stall held back would else be
heard in a heap, as one crack.

The device's calls are late on a busy machine and never early, and it may leave something out and
not say so. So the place is taken anew, at once, from a call that
- the device itself says follows an underrun,
- comes when its first frame ought to be heard already: nobody plays what he has not got,
- comes before the map says it can.
All else (drift; a block left out that the device still had time for) is `Clock`'s: in
`REPORT_S`, or `MISSED_REPORTS` of them.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from bridge.clocks import HostS
from bridge.show.audio_process import Desk, Mixer, Samples
from bridge.show.clock_map import AUDIO_JUMP_S, ClockMap, ToldLine
from bridge.sound.synthesis import Synthesis

HAND_OVER_S = 0.02
"""A simulated board lives in steps of some milliseconds, and tells of a pulse once it has ended."""
MOST_DEVICE_S = 1.0
"""A device that asks longer than this beforehand is not followed: its bangs come too late."""
MOVE_S = 0.005
"""By less the latency is not put right."""
UNSURE_S = 0.012
"""What a map may be off until the device's pace is known: `MOST_RATE_ERROR` of two seconds."""
_CALLS = 64
"""The device's latency is the longest of so many calls."""
_SIDES = ((0.5**0.5, 0.0), (0.0, 0.5**0.5))


class Ear(Mixer):
    """Filled from `arrived`, which any thread may append to; `play` is the device's thread."""

    def __init__(self, rate: float) -> None:
        super().__init__(rate)
        self.latency_s = HAND_OVER_S
        self.late = 0
        """Bangs left out."""
        self.arrived: deque[tuple[float, float, float]] = deque()
        """Host time of a bang's begin in s, pressure left and right."""
        self.heard_at: tuple[float, float, float] | None = None
        """Host time, the stream's seconds that are heard then, stream seconds a host second."""
        self.unsure_s = UNSURE_S
        """What the map may be off beside."""
        self._waiting: list[tuple[float, float, float]] = []
        """As `arrived`, but when it is to be heard: a change of latency moves nothing in it."""
        self._needs_s: deque[float] = deque(maxlen=_CALLS)
        self._synthesis = Synthesis(rate, _SIDES)

    def play(self, out: Samples, now_s: float, ahead_s: float, underrun: bool = False) -> None:
        """A call of the device at host time `now_s`: `out` is heard `ahead_s` later, or sooner if
        this process was called late. `underrun`: it says that something was not played."""
        first, count = self.frame, len(out)
        block_s = count / self.rate
        dac_s = now_s + ahead_s
        late_s = 0.0 if self.heard_at is None else dac_s - self._due_s(first)
        underrun |= late_s > max(ahead_s, block_s) + AUDIO_JUMP_S + self.unsure_s
        self.fill(out, dac_s, underrun)
        if self.heard_at is None or underrun or late_s < -AUDIO_JUMP_S:
            pace = 1.0 if self.heard_at is None else self.heard_at[2]
            self.heard_at = dac_s, first / self.rate, pace
        # The last frame of a block is decided a block before the next is asked for.
        self._needs_s.append(ahead_s + block_s)
        self._take()
        out[:] = self._sound(first, count)

    @property
    def unplayed(self) -> int:
        """Bangs that are here, neither heard nor left out yet."""
        return len(self.arrived) + len(self._waiting)

    def _due_s(self, frame: int) -> float:
        """When it is heard, by the map."""
        assert self.heard_at is not None
        host_s, stream_s, pace = self.heard_at
        return host_s + (frame / self.rate - stream_s) / pace

    def _take(self) -> None:
        arrived, latency_s = self.arrived, self.latency_s
        while arrived:
            fired_s, left, right = arrived.popleft()
            self._waiting.append((fired_s + latency_s, left, right))

    def _sound(self, first: int, count: int) -> Samples:
        waiting = self._waiting
        if not waiting or self.heard_at is None:
            return self._synthesis.block(count, {})
        host_s, stream_s, pace = self.heard_at
        bangs = np.array(waiting, dtype=np.float64)
        places = (stream_s + (bangs[:, 0] - host_s) * pace) * self.rate
        now = places < first + count
        self._waiting = [w for w, is_now in zip(waiting, now, strict=True) if not is_now]
        late = places < first - 1
        self.late += int(late.sum())
        now &= ~late
        places, bangs = places[now], bangs[now]
        return self._synthesis.block(count, {0: (places, bangs[:, 1]), 1: (places, bangs[:, 2])})

    def put_latency_right(self) -> bool:
        """To what the device needs, longer or shorter; did it change? Bangs on their way keep
        theirs."""
        needs_s = max(self._needs_s, default=0.0)
        wanted_s = HAND_OVER_S + min(needs_s, MOST_DEVICE_S)
        if abs(wanted_s - self.latency_s) <= MOVE_S:
            return False
        self.latency_s = wanted_s
        return True


class Clock:
    """Follows the device's clock for an ear."""

    def __init__(self, ear: Ear) -> None:
        self._ear = ear
        self._desk = Desk(ear, {})
        self._line = ToldLine()
        self._map = ClockMap(self._line, jump_s=AUDIO_JUMP_S)
        self._underruns: int = 0

    def observe(self) -> None:
        """Now and then."""
        report = self._desk.observe()
        if report is None:
            return
        if report["underruns"] != self._underruns:
            self._underruns = report["underruns"]
            self._map.restart()
        self._ear.unsure_s = 0.0 if self._desk.knows_pace else UNSURE_S
        at_s = HostS(report["at_s"])
        self._line.tell(at_s, report["stream_s"], report["pace"])
        self._map.observe(at_s, report["stream_s"])
        if self._ear.underruns == self._underruns:  # or a call since then knows better
            self._ear.heard_at = (at_s, self._map.position_at(at_s), self._map.rate)
