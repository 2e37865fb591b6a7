"""A whole site without its wires: the same music, governors and boards, many times faster. Pure.

`VirtualSite` plays every byte of every line, to the microsecond. This plays the very same
`Performance`, `CoilLine` and `Governor`, and the simulated board's very `OutputScheduler` and
guard, and hands what a line would send straight to the board. Times are seconds from 0, the
host's clock, which is true here, and so are the boards'.

Left out, because it is not music: bytes and the time they take (a flooded line merges what it
cannot say, which is about 1 ms on sites without a fixed delay), jitter, noise and loss, boards'
clock errors and their measuring, arming, leases, trips and the disarming of an idle site.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from bridge.clocks import HostS
from bridge.coil_line import CoilLine
from bridge.config import Coil, Config
from bridge.governor.limits import guard_limits
from bridge.governor.mains import budget_of
from bridge.interlock import Interlock
from bridge.link.renewal import LEASE_S, REFRESH_S
from bridge.link.simulated_scheduler import OutputScheduler
from bridge.link.slots import MOTION_S
from bridge.music.instrument import live_instrument
from bridge.performance import Performance
from bridge.records import HeldBackChanged, Record, Remark
from bridge.rehearse.pulse_arrays import PulseArrays
from bridge.source import VoiceSource
from bridge.timeline import Timeline
from firmware_protocol.messages import COMPILED_CEILINGS, MAX_SLOTS, TICK_HZ, Slot

_NEVER_S = HostS(math.inf)
_MOST_STEPS_AT_ONCE: Final = 2000
_LONG_AGO = -1
"""Ends no pulse that is under way."""
_MOST_WAITING: Final = 4096
"""Frames that wait to be played: more would cost memory, and save no time."""


@dataclass(frozen=True, slots=True)
class _TrueClock:
    """A board that keeps time."""

    def slew(self, host_s: HostS, *, jump: bool = False) -> float:
        return float(TICK_HZ)


class _DirectWire:
    """One output of a board at the end of no line: frames take effect at their time.

    Frames wait, and are played many at once when somebody asks what came of them, or when there
    are too many: what a board fires changes nothing of what it will be told.
    """

    clock = _TrueClock()

    def __init__(self, coil: Coil) -> None:
        self.scheduler = OutputScheduler(coil.output - 1, COMPILED_CEILINGS, 0, MAX_SLOTS)
        self.scheduler.guard.set_limits(guard_limits(coil))
        self.scheduler.arm()
        self._frames: list[tuple[int, int, tuple[Slot | None, ...], bool]] = []
        self._starts = array("q")
        self._on_ticks = array("q")

    def voices_frame(
        self,
        now_s: HostS,
        output: int,
        slots: tuple[Slot | None, ...],
        apply_s: HostS | None,
        *,
        forget_later: bool = False,
    ) -> bytes:
        now = tick_at(now_s)
        apply_at = now if apply_s is None else tick_at(apply_s)
        self._frames.append((now, apply_at, slots, forget_later))
        if len(self._frames) >= _MOST_WAITING:
            self._play()
        return b""

    def _play(self) -> None:
        scheduler = self.scheduler
        for now, apply_at, slots, forget_later in self._frames:
            self._run_to(now - 1)
            if forget_later:
                scheduler.forget_later(apply_at)
            if apply_at > now:
                scheduler.enqueue(apply_at, slots)
            else:
                scheduler.apply_due(now)
                scheduler.apply(now, slots)
        self._frames.clear()
        self._keep(*scheduler.take_ticks(_LONG_AGO))

    def _keep(self, starts: list[int], on_ticks: list[int]) -> None:
        """Hundreds of thousands of pulses take a quarter of the memory so."""
        self._starts.extend(starts)
        self._on_ticks.extend(on_ticks)

    def _run_to(self, limit: int) -> None:
        """Everything up to and including tick `limit`: at one tick, frames before pulses."""
        scheduler = self.scheduler
        queue = scheduler.queue
        while queue and (apply_at := queue[0].apply_at) <= limit:
            scheduler.run_before(apply_at)
            scheduler.apply_due(apply_at)
        scheduler.run_before(limit + 1)

    def catch_up(self, now: int) -> None:
        """Plays everything up to and including tick `now`."""
        self._play()
        self._run_to(now)

    def fired(self, now: int) -> PulseArrays:
        """Every pulse that has ended by tick `now`."""
        self.catch_up(now)
        self._keep(*self.scheduler.take_ticks(now))
        return PulseArrays.of_ticks(self._starts, self._on_ticks)


class _NoWire:
    """Of what it is told nothing becomes: for those who only ask what the governor allows."""

    clock = _TrueClock()

    def voices_frame(
        self,
        now_s: HostS,
        output: int,
        slots: tuple[Slot | None, ...],
        apply_s: HostS | None,
        *,
        forget_later: bool = False,
    ) -> bytes:
        return b""


def tick_at(time_s: float) -> int:
    """The nearest tick of a true clock."""
    return round(time_s * TICK_HZ)


class DirectSite:
    """Config and source in, pulses out: the part of `VirtualSite` that makes music."""

    def __init__(
        self,
        config: Config,
        source: VoiceSource,
        *,
        inputs: Collection[str] | None = None,
        boards: bool = True,
    ) -> None:
        """inputs: those that will play, where it is known; what nobody plays costs time.

        boards: False where no pulse will be asked for, only what the lines decide: that is the same
        without them, for what a board fires changes nothing of what it will be told.
        """
        self.now_s = HostS(0.0)
        self.records: list[tuple[HostS, Record]] = []
        self._timeline = Timeline(config)
        early_s = self._timeline.early_s
        self.mains = budget_of(
            config, lease_s=LEASE_S, refresh_s=REFRESH_S, motion_s=MOTION_S, early_s=early_s
        )
        shares = self.mains.shares if self.mains else {}
        controllers = {c.name: c for c in config.controller}
        self._wires = {c.name: _DirectWire(c) for c in config.coil} if boards else {}
        is_played_over = inputs is None or not self._timeline.near.isdisjoint(inputs)
        self.lines = {
            c.name: CoilLine(
                c,
                controllers[c.controller],
                self._wires.get(c.name) or _NoWire(),
                self._timeline.offsets_s.get(c.name, 0.0),
                shares.get(c.name),
                early_s=early_s,
                live_priority=config.music.live_priority,
                played_over=is_played_over,
            )
            for c in config.coil
        }
        self._interlock = Interlock()
        self._interlock.arm(all_checks_pass=True)  # nothing can fire: it has no wires
        self._interlock.confirmed()
        self._performance = Performance(
            source,
            self._timeline,
            self.lines,
            self._interlock,
            self._remark,
            live=live_instrument(config) if is_played_over and early_s > 0 else None,
        )
        self._performance.begin(self.now_s)
        self._performance.may_sound(self.now_s)

    def _remark(self, text: str) -> None:
        self.records.append((self.now_s, Remark("music", text)))

    @property
    def guard_refusals(self) -> dict[str, int]:
        """By coil. The governor leaves none; more than 16 would trip a board."""
        return {name: s.guard_refusals for name, s in self._caught_up().items()}

    @property
    def collisions_dropped(self) -> dict[str, int]:
        """By coil."""
        return {name: s.collisions_dropped for name, s in self._caught_up().items()}

    def _caught_up(self) -> dict[str, OutputScheduler]:
        """By coil, with nothing left to play."""
        now = tick_at(self.now_s)
        for wire in self._wires.values():
            wire.catch_up(now)
        return {name: wire.scheduler for name, wire in self._wires.items()}

    def delay_s(self, input_name: str) -> float:
        """How long after its arrival a message of this input takes effect."""
        return self._timeline.delay_s(input_name)

    def midi(self, input_name: str, message: bytes) -> None:
        """A message that arrives now."""
        self._performance.midi(self.now_s, input_name, message, self.now_s)

    def run_for(self, duration_s: float) -> None:
        self.run_until(HostS(self.now_s + duration_s))

    def run_until(self, end_s: HostS) -> None:
        """Lives on to `end_s`, what is due then included."""
        lines, performance = self.lines.values(), self._performance
        scheduled = self._timeline.scheduled
        steps_here = 0
        while True:
            due_s = performance.next_deadline_s()
            if performance.changed:
                due_s = self.now_s
            for line in lines:
                due_s = min(due_s, line.due_s())
            if due_s > end_s:
                self.now_s = max(self.now_s, end_s)
                return
            steps_here = steps_here + 1 if due_s <= self.now_s else 0
            if steps_here > _MOST_STEPS_AT_ONCE:
                raise RuntimeError(f"time stands still at {self.now_s} s")
            now_s = self.now_s = max(self.now_s, due_s)
            performance.advance(now_s)
            performance.bring_up(now_s)
            present_s = self._timeline.now_s(now_s) if scheduled else None
            for name, line in self.lines.items():
                if line.due_s() > now_s:
                    continue
                while line.frame(now_s, scheduled_s=present_s) is None and line.due_s() <= now_s:
                    pass
                if line.held_back_changes:
                    self.records += [
                        (now_s, HeldBackChanged(name, held)) for held in line.held_back_changes
                    ]
                    line.held_back_changes.clear()

    def take_pulses(self) -> dict[str, PulseArrays]:
        """Every pulse that has ended by now, by coil, in order of start."""
        now = tick_at(self.now_s)
        return {name: wire.fired(now) for name, wire in self._wires.items()}
