"""One output of the controller: its slots, its queue, and the pulses that come of them.

PROTOCOL.md, sections 7 (applying a frame) and 8 (from trains to pulses), and nothing else. Grid
times are in 1/256 tick. Every pulse goes through the guard; nothing else can light the output.
"""

from __future__ import annotations

from bisect import insort
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Final

from firmware_protocol.catalogue import GuardReason
from firmware_protocol.messages import STEP_UNITS, Ceilings, Slot

from .simulated_guard import OutputGuard
from .simulated_settings import FOREVER, Pulse

NEVER: Final = -1
"""`last_fired` of a train that has not fired: further back than any tick."""
GENERATOR_SEED = 0xACE1


def next_random(x: int) -> int:
    """The 16-bit xorshift generator of spread: the state after `x`."""
    x ^= (x << 7) & 0xFFFF
    x ^= x >> 9
    return x ^ ((x << 8) & 0xFFFF)


@dataclass(slots=True)
class Train:
    """A pulse train in a slot. A train that has fired its bangs stays, silent (`done`)."""

    start: int
    grid: int
    period: int
    target: int
    step: int
    on_ticks: int
    spread: int
    bangs_left: int
    """0: until changed."""
    done: bool = False
    last_fired: int = NEVER


@dataclass(frozen=True, slots=True)
class QueuedFrame:
    """The part of a voices frame that waits for its time."""

    apply_at: int
    """Extended tick."""
    slots: tuple[Slot | None, ...] = field(compare=False)


class OutputScheduler:
    """One output. `next_tick` is when its next pulse wants deciding (FOREVER: none)."""

    def __init__(self, output: int, ceilings: Ceilings, origin_tick: int, slots: int) -> None:
        self.output = output
        self.guard = OutputGuard(ceilings, origin_tick)
        self.queue: list[QueuedFrame] = []
        self.next_tick = FOREVER
        self.pulses = 0
        self.collisions_dropped = 0
        self.guard_refusals = 0
        self.last_guard_reason = GuardReason.NONE
        self._refused_for = [0] * len(GuardReason)
        self._trains: list[Train | None] = [None] * slots
        self._next: Train | None = None
        self._random = GENERATOR_SEED ^ output
        self._last_end: int | None = None
        self._on_since = NEVER
        self._on_ticks = 0
        self._log_starts: list[int] = []
        self._log_on: list[int] = []

    # -- what is heard of it -------------------------------------------------------------------

    def is_lit(self, tick: int) -> bool:
        """True while a pulse is under way at `tick`."""
        return self._on_since != NEVER and tick < self._on_since + self._on_ticks

    def take_pulses(self, tick: int) -> list[Pulse]:
        """Pulses that have ended by `tick` and were not taken yet, in order."""
        starts, on_ticks = self.take_ticks(tick)
        return [Pulse(self.output, s, on) for s, on in zip(starts, on_ticks, strict=True)]

    def take_ticks(self, tick: int) -> tuple[list[int], list[int]]:
        """The same as start ticks and on-times in ticks."""
        if self._on_since != NEVER and self._on_since + self._on_ticks <= tick:
            self._close_pulse()
        taken = self._log_starts, self._log_on
        if taken[0]:
            self._log_starts, self._log_on = [], []
        return taken

    def _close_pulse(self) -> None:
        self._log_starts.append(self._on_since)
        self._log_on.append(self._on_ticks)
        self._on_since = NEVER

    def _count_refusal(self, reason: GuardReason) -> None:
        self.guard_refusals += 1
        self.last_guard_reason = reason
        self._refused_for[reason] += 1

    @property
    def refused_for(self) -> tuple[int, int, int, int, int, int]:
        """Refused pulses for each reason of the guard, reason 1 first; modulo 256."""
        of_1, of_2, of_3, of_4, of_5, of_6 = (n & 0xFF for n in self._refused_for[1:])
        return of_1, of_2, of_3, of_4, of_5, of_6

    # -- arming and going dark -----------------------------------------------------------------

    def arm(self) -> None:
        """A new session: the generator begins anew. Slots and queue are already empty."""
        self._random = GENERATOR_SEED ^ self.output

    def go_dark(self, tick: int) -> None:
        """Light off now, mid-pulse too; every slot and queued frame forgotten."""
        if self.is_lit(tick):
            self._on_ticks = tick - self._on_since
            self.guard.ended_early(tick)
            self._last_end = tick
            if self._on_ticks:
                self._close_pulse()
            self._on_since = NEVER
        self.queue.clear()
        self._trains = [None] * len(self._trains)
        self._plan()

    # -- frames --------------------------------------------------------------------------------

    def left_by_forgetting(self, apply_at: int) -> int:
        """How many queued frames 'forget later' from `apply_at` on would leave."""
        return sum(1 for frame in self.queue if frame.apply_at < apply_at)

    def forget_later(self, apply_at: int) -> None:
        """Drops every queued frame that is not before `apply_at`."""
        del self.queue[self.left_by_forgetting(apply_at) :]

    def enqueue(self, apply_at: int, slots: tuple[Slot | None, ...]) -> None:
        """Queues a frame by time, equal times in order of arrival."""
        frame, queue = QueuedFrame(apply_at, slots), self.queue
        if not queue or queue[-1].apply_at <= apply_at:
            queue.append(frame)  # as nearly all come, and the same
        else:
            insort(queue, frame, key=attrgetter("apply_at"))

    def apply_due(self, tick: int) -> None:
        """Applies every queued frame whose time has come."""
        while self.queue and self.queue[0].apply_at <= tick:
            self.apply(tick, self.queue.pop(0).slots)

    def apply(self, tick: int, slots: tuple[Slot | None, ...]) -> None:
        """Makes `slots` what sounds on this output from `tick` on."""
        for index in range(len(self._trains)):
            slot = slots[index] if index < len(slots) else None
            train = self._trains[index]
            if slot is None:
                self._trains[index] = None
            elif train is not None and train.start == slot.start:
                train.on_ticks = slot.on_ticks
                train.spread = slot.spread
                train.step = slot.step
                train.target = slot.period
            else:
                self._trains[index] = Train(
                    start=slot.start,
                    grid=(tick << 8) + (slot.phase * slot.period >> 8),
                    period=slot.period,
                    target=slot.period,
                    step=slot.step,
                    on_ticks=slot.on_ticks,
                    spread=slot.spread,
                    bangs_left=slot.bangs,
                )
        self._plan()

    # -- pulses --------------------------------------------------------------------------------

    def run_before(self, until: int) -> None:
        """Decides every pulse before tick `until`, as `decide` would one by one. No frame is
        applied: there must be none due."""
        guard, limits = self.guard, self.guard.limits
        if self.next_tick >= until:
            return
        if limits is None:
            while self.next_tick < until:
                self.decide(self.next_tick)
            return
        trains = [t for t in self._trains if t is not None and not t.done]
        min_off = limits.min_off_ticks
        log_starts, log_on = self._log_starts, self._log_on
        free_at = 0 if self._last_end is None else self._last_end + min_off
        on_since, on_ticks = self._on_since, self._on_ticks
        train, tick = self._next, self.next_tick
        while train is not None and tick < until:
            period = train.period
            if 2 * ((tick << 8) - train.grid) > period:
                self.collisions_dropped += 1
            elif reason := guard.take(tick, train.on_ticks):
                self._count_refusal(reason)
            else:
                if on_since != NEVER:
                    log_starts.append(on_since)
                    log_on.append(on_ticks)
                train.last_fired = on_since = tick
                on_ticks = train.on_ticks
                free_at = tick + on_ticks + min_off
                self.pulses += 1
            if train.bangs_left or train.spread or period != train.target:
                self._move_on(train)
                if train.done:
                    trains.remove(train)
            else:
                train.grid += period
            train = None
            for one in trains:
                if (
                    train is None
                    or one.grid < train.grid
                    or (one.grid == train.grid and one.last_fired < train.last_fired)
                ):
                    train = one
            if train is None:
                tick = FOREVER
                break
            tick = (train.grid + 255) >> 8
            tick = max(free_at, tick)
        self._on_since, self._on_ticks = on_since, on_ticks
        if on_since != NEVER:
            self._last_end = on_since + on_ticks
        self._next, self.next_tick = train, tick

    def decide(self, tick: int) -> GuardReason:
        """The pulse planned for `tick` (= `next_tick`): fires, is dropped or is refused.

        Returns the guard's reason if it refused, NONE otherwise; then plans the next.
        """
        train = self._next
        if train is None:
            return GuardReason.NONE
        reason = GuardReason.NONE
        if 2 * ((tick << 8) - train.grid) > train.period:
            self.collisions_dropped += 1
        else:
            reason = self.guard.take(tick, train.on_ticks)
            if reason:
                self._count_refusal(reason)
            else:
                if self._on_since != NEVER:
                    self._close_pulse()
                self._on_since = tick
                self._on_ticks = train.on_ticks
                self._last_end = tick + train.on_ticks
                train.last_fired = tick
                self.pulses += 1
        self._move_on(train)
        self._plan()
        return reason

    def _free_at(self, tick: int) -> int:
        """`tick`, or when the output is free if that is later: by the limits now in force."""
        limits = self.guard.limits
        if self._last_end is None or limits is None:
            return tick
        return max(tick, self._last_end + limits.min_off_ticks)

    def _move_on(self, train: Train) -> None:
        """To the train's next grid point; after its last bang there is none."""
        if train.bangs_left:
            train.bangs_left -= 1
            if not train.bangs_left:
                train.done = True
                return
        if train.period != train.target:
            away = train.target - train.period
            most = STEP_UNITS * train.step
            if most and abs(away) > most:
                train.period += most if away > 0 else -most
            else:
                train.period = train.target
        gap = train.period
        if train.spread:
            self._random = next_random(self._random)
            r = (self._random >> 8) - 128
            gap += ((train.period >> 8) * train.spread * r) >> 7
        train.grid += gap

    def _plan(self) -> None:
        """Finds which train is next, and when."""
        best: Train | None = None
        for train in self._trains:
            if train is None or train.done:
                continue
            if (
                best is None
                or train.grid < best.grid
                or (train.grid == best.grid and train.last_fired < best.last_fired)
            ):
                best = train
        self._next = best
        if best is None:
            self.next_tick = FOREVER
        else:
            self.next_tick = self._free_at((best.grid + 255) >> 8)
