"""The law: what a commanded state may be, so that no window ever holds more than its bound. Pure.

A *state* is what one frame says: a set of trains. Its flow D is Σ rate·on-time (for the break rate
Σ rate), its pulse sum O is Σ on-time (the number of trains). Frames come late by up to the link's
jitter, or are lost and made good by the next refresh, so the controller is always in one of the
states commanded in the last H (`hold_s`), and goes through them in order.

Charge each pulse over the gap that follows its grid point. In any window [a, b] then

    usage <= ∫ D held + owed in [a, b] + half of O at a + O at b

- *D held* is the highest flow of any state commanded in the last H. (`Flow` remembers each until
  H after it was replaced.)
- *owed*: a train that ends, or whose on-time falls, leaves a part of its last pulse unpaid: at
  most the fall. An on-time that rises in the middle of a gap leaves at most half of the rise (a
  pulse is at most half a period late). It happens within H of the command, so it is posted H after
  it, and counts as pending until then.
- O at a: pulses whose grid point lies before a and that were delayed into the window, by at most
  half their gap. The highest O commanded in the last stretch + H stands in for it.
- O at b: each train's last pulse. A train that should have ended but has not is pending still.

A level that rises by D held - flow, never falls below 0, and takes what is posted, gives
∫ D held + posted <= flow·(b - a) + level at b. So the window holds its bound while

    level + pending + O + half of the highest O <= reserve

and because nobody may come to command a better state, it must hold to the end of the lease too:
(D held - flow) for H more and (D - flow) for the lease are kept free as well. `Ledger.excess`
is that inequality.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

from .limits import Allowance

SOFT_SHARE = 0.4
"""A level above this share of its reserve lowers the steady flow, gently, until it is back."""


class Flow:
    """The highest flow of the states commanded in the last H."""

    __slots__ = ("entries",)

    def __init__(self) -> None:
        self.entries: deque[tuple[float, float]] = deque([(math.inf, 0.0)])
        """(Time until which it may be in force, flow): falling flows, rising times. The first is
        held; the last is what was commanded last, without an end."""

    @property
    def held(self) -> float:
        return self.entries[0][1]

    def command(self, flow: float, gone_s: float) -> None:
        """A new state; the old one may be in force until `gone_s`."""
        entries = self.entries
        _, old = entries[-1]
        if old == flow:
            return
        entries.pop()
        if old > flow:
            entries.append((gone_s, old))
        else:
            while entries and entries[-1][1] <= flow:
                entries.pop()
        entries.append((math.inf, flow))


class Bucket:
    """One allowance's level, and the highest pulse sum of the last stretch + H."""

    __slots__ = ("_block_s", "_peak", "_peak_before", "allowance", "block_end_s", "calm", "flow",
                 "highest", "level", "reserve", "share", "soft", "tau_s")  # fmt: skip

    def __init__(self, allowance: Allowance, hold_s: float) -> None:
        self.allowance = allowance
        self.flow = allowance.flow
        self.reserve = allowance.reserve
        self.share = 1 / allowance.limit_flow
        self.soft = SOFT_SHARE * allowance.reserve
        self.calm = 0.001 * allowance.reserve
        """So little above `soft` is none: what only ever comes nearer would never be there."""
        self.tau_s = max(allowance.window_ms / 2000, 0.3)
        self.level = 0.0
        self._block_s = allowance.stretch_s + hold_s
        self.block_end_s = -math.inf
        self._peak = 0.0
        self._peak_before = 0.0
        self.highest = 0.0
        """The highest pulse sum commanded in the last stretch + H: of this block or the last."""

    def roll(self, now_s: float, pulse_sum: float) -> None:
        """A block is over at `now_s`, with `pulse_sum` in force since the last command."""
        idle = now_s >= self.block_end_s + self._block_s
        self._peak_before = pulse_sum if idle else self._peak
        self._peak = pulse_sum
        self.highest = max(self._peak_before, pulse_sum)
        self.block_end_s = now_s + self._block_s

    def command(self, pulse_sum: float) -> None:
        """A state with this pulse sum is sent."""
        if pulse_sum > self._peak:
            self._peak = pulse_sum
            self.highest = max(self.highest, pulse_sum)


class Ledger:
    """All buckets of one coil, what is pending, and what is in force."""

    __slots__ = ("_hold_s", "_lease_s", "_now_s", "_pending", "duty", "duty_flow", "on_sum_us",
                 "owed_starts", "owed_us", "starts", "starts_flow", "trains")  # fmt: skip

    def __init__(
        self, duty: Sequence[Allowance], starts: Allowance, *, hold_s: float, lease_s: float
    ) -> None:
        self._hold_s = hold_s
        self._lease_s = lease_s
        self._now_s = -math.inf
        self._pending: deque[tuple[float, float, int]] = deque()
        self.duty = [Bucket(a, hold_s) for a in duty]
        self.starts = Bucket(starts, hold_s)
        self.duty_flow = Flow()
        self.starts_flow = Flow()
        self.on_sum_us = 0.0
        self.trains = 0
        self.owed_us = 0.0
        self.owed_starts = 0

    def advance(self, now_s: float) -> None:
        """Time passes: levels drain, old states expire, what is pending is posted."""
        at_s = self._now_s
        if math.isinf(at_s):
            at_s = now_s
        pending, duty_flow, starts_flow = self._pending, self.duty_flow, self.starts_flow
        while at_s < now_s:
            until_s, held = duty_flow.entries[0]
            starts_until_s, starts_held = starts_flow.entries[0]
            to_s = min(now_s, until_s, starts_until_s)
            if pending and pending[0][0] < to_s:
                to_s = pending[0][0]
            passed_s = to_s - at_s
            if passed_s > 0:
                for bucket in self.duty:
                    level = bucket.level + (held - bucket.flow) * passed_s
                    bucket.level = level if level > 0 else 0.0
                bucket = self.starts
                level = bucket.level + (starts_held - bucket.flow) * passed_s
                bucket.level = level if level > 0 else 0.0
                at_s = to_s
            if until_s <= at_s:
                duty_flow.entries.popleft()
            if starts_until_s <= at_s:
                starts_flow.entries.popleft()
            while pending and pending[0][0] <= at_s:
                _, owed_us, owed_starts = pending.popleft()
                self.owed_us -= owed_us
                self.owed_starts -= owed_starts
                for bucket in self.duty:
                    bucket.level += owed_us
                self.starts.level += owed_starts
        if not pending:
            self.owed_us = 0.0  # no rounding is carried along
        for bucket in self.duty:
            if now_s >= bucket.block_end_s:
                bucket.roll(now_s, self.on_sum_us)
        if now_s >= self.starts.block_end_s:
            self.starts.roll(now_s, self.trains)
        self._now_s = now_s

    def excess(self, flow: float, on_sum_us: float, owed_us: float) -> tuple[float, Bucket]:
        """By how many µs of on-time a state would break the law (<= 0: it is lawful), and where.

        `owed_us`: what commanding it makes pending.
        """
        held = self.duty_flow.held
        common = self.owed_us + owed_us + on_sum_us
        worst, where = -math.inf, self.duty[0]
        for bucket in self.duty:
            highest = bucket.highest if bucket.highest > on_sum_us else on_sum_us
            need = bucket.level + common + 0.5 * highest - bucket.reserve
            if held > bucket.flow:
                need += (held - bucket.flow) * self._hold_s
            if flow > bucket.flow:
                need += (flow - bucket.flow) * self._lease_s
            if need > worst:
                worst, where = need, bucket
        return worst, where

    def excess_starts(self, starts_flow: float, trains: int, owed_starts: int) -> float:
        """The same for the break rate, in starts."""
        bucket = self.starts
        need = bucket.level + self.owed_starts + owed_starts + trains
        need += 0.5 * max(bucket.highest, trains) - bucket.reserve
        need += max(0.0, self.starts_flow.held - bucket.flow) * self._hold_s
        return need + max(0.0, starts_flow - bucket.flow) * self._lease_s

    def steady_flow(self) -> tuple[float, Bucket]:
        """The flow that can be held on and on, lowered where a level is high, and by whom."""
        least, where = math.inf, self.duty[0]
        for bucket in self.duty:
            over = bucket.level + self.owed_us - bucket.soft
            flow = bucket.flow - over / bucket.tau_s if over > bucket.calm else bucket.flow
            if flow < least:
                least, where = flow, bucket
        return least, where

    def strained(self) -> bool:
        """Is any level still to come down?"""
        return any(b.level + self.owed_us > b.soft + b.calm for b in self.duty)

    def command(
        self,
        *,
        flow: float,
        starts_flow: float,
        on_sum_us: float,
        trains: int,
        owed_us: float,
        owed_starts: int,
    ) -> None:
        """A state is sent, at the time last advanced to."""
        gone_s = self._now_s + self._hold_s
        self.duty_flow.command(flow, gone_s)
        self.starts_flow.command(starts_flow, gone_s)
        if owed_us > 0 or owed_starts:
            self._pending.append((gone_s, owed_us, owed_starts))
            self.owed_us += owed_us
            self.owed_starts += owed_starts
        self.on_sum_us = on_sum_us
        self.trains = trains
        for bucket in self.duty:
            bucket.command(on_sum_us)
        self.starts.command(trains)
