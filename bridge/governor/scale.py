"""How far on-times reach from breakout to what was asked: one scale for a whole chord. Pure.

`target` is what could be held for ever, `toward` the gentle step in its direction, `lawful` what
the law (bucket.py) makes of that.
"""

from __future__ import annotations

import math
from typing import Final

from bridge.config import Coil

from .bucket import Bucket, Ledger
from .limits import BUSY_SHARE, TOTAL_ON_SHARE, off_time_us, shortest_on_time_us
from .power import Power
from .reasons import Effect, HeldBack, Limit
from .train import Train

STEP: Final = 0.03
"""Most that limits change an on-time in STEP_S, as a share of it."""
STEP_S: Final = 0.009
_EPSILON: Final = 1e-9


class Chord:
    """The trains that are to sound together, and their sums."""

    __slots__ = ("ended", "ended_us", "fresh", "more_flow", "more_us", "pace_hz", "span_us",
                 "trains")  # fmt: skip

    def __init__(
        self, trains: list[Train], shortest_us: float, ended_us: float, ended: int
    ) -> None:
        self.trains = trains
        self.ended_us = ended_us
        """On-time and number of the trains that end with it."""
        self.ended = ended
        pace_hz = more_us = more_flow = span_us = 0.0
        fresh = False
        for train in trains:
            more = train.asked_us - shortest_us
            pace_hz += train.pace_hz
            more_us += more
            more_flow += train.pace_hz * more
            span_us = max(span_us, more)
            if train.on_us == 0:
                fresh = True
        self.pace_hz = pace_hz
        self.more_us = more_us
        """On-times above breakout: the sum, the sum of rate × it, and the longest."""
        self.more_flow = more_flow
        self.span_us = span_us
        self.fresh = fresh
        """Does any of them begin now?"""

    def at(self, scale: float, shortest_us: float) -> tuple[float, float, float]:
        """Flow, pulse sum, and what falls and rises leave unpaid, at this scale (bucket.py)."""
        flow = on_sum_us = 0.0
        owed_us = self.ended_us
        for train in self.trains:
            share = scale if scale < train.cap else train.cap
            on_us = shortest_us + (train.asked_us - shortest_us) * share
            flow += train.pace_hz * on_us
            on_sum_us += on_us
            if train.on_us > on_us:
                owed_us += train.on_us - on_us
            elif train.on_us > 0:
                owed_us += 0.5 * (on_us - train.on_us)
        return flow, on_sum_us, owed_us

    def trains_at(self, scale: float, shortest_us: float) -> list[tuple[float, float]]:
        """(pace in Hz, on-time in µs) of each train at this scale."""
        return [
            (t.pace_hz, shortest_us + (t.asked_us - shortest_us) * min(scale, t.cap))
            for t in self.trains
        ]


class Scaling:
    """The scale of one coil's chords, on top of its ledger."""

    __slots__ = ("_least", "_ledger", "_off_us", "_power", "_shortest_us", "on_sum_us")

    def __init__(self, coil: Coil, ledger: Ledger, power: Power | None = None) -> None:
        self._ledger = ledger
        self._power = power
        self._shortest_us = shortest_on_time_us(coil)
        self._off_us = off_time_us(coil)
        self._least = min(ledger.duty, key=lambda b: b.reserve)
        self.on_sum_us = TOTAL_ON_SHARE * self._least.reserve
        """Most that single pulses of all trains may add up to."""

    def target(self, chord: Chord) -> tuple[float, HeldBack | None]:
        """The scale that can be held for ever, and what limits it (None below nothing)."""
        scale, why = self._by_windows(chord)
        if self._power is None or not chord.trains:
            return scale, why
        asked = [(t.pace_hz, t.asked_us) for t in chord.trains]
        self._power.ask(asked)
        by_power, power_why = self._power.target(asked, scale)
        return by_power, power_why or why

    def _by_windows(self, chord: Chord) -> tuple[float, HeldBack | None]:
        if chord.more_flow <= 0:
            return 1.0, None
        shortest, pace = self._shortest_us, chord.pace_hz
        flow, bucket = self._ledger.steady_flow()
        busy_flow = BUSY_SHARE * 1e6 - pace * self._off_us
        by_flow = (min(flow, busy_flow) - pace * shortest) / chord.more_flow
        by_sum = (self.on_sum_us - len(chord.trains) * shortest) / chord.more_us
        if by_flow >= 1 - _EPSILON and by_sum >= 1 - _EPSILON:
            return 1.0, None
        asked_flow = pace * shortest + chord.more_flow
        if by_sum < by_flow:
            least = self._least.allowance.window_ms
            asked_us = len(chord.trains) * shortest + chord.more_us
            why = HeldBack(Limit.RESERVE, Effect.SHORTENED, least, asked_us, self.on_sum_us, ())
        elif busy_flow < flow:
            asked = (asked_flow + pace * self._off_us) * 1e-4
            why = HeldBack(Limit.OFF_TIME, Effect.SHORTENED, 0, asked, BUSY_SHARE * 100, ())
        else:
            window_ms = bucket.allowance.window_ms
            why = HeldBack(
                Limit.DUTY, Effect.SHORTENED, window_ms, asked_flow * 1e-4, flow * 1e-4, ()
            )
        return max(0.0, min(by_flow, by_sum)), why

    def toward(self, target: float, scale: float, chord: Chord, passed_s: float) -> float:
        """One gentle step from the present scale toward the target."""
        if chord.span_us <= 0:
            return target
        step = STEP * min(1.0, passed_s / STEP_S) * (self._shortest_us / chord.span_us + scale)
        return min(max(target, scale - step), scale + step)

    def cap_fresh(self, target: float, scale: float, chord: Chord, passed_s: float) -> None:
        """New voices begin at the target where that is below the scale, and meet the others there.

        A cap follows the target by gentle steps, and is gone when the scale has come down to it.
        """
        for train in chord.trains:
            if train.on_us == 0:
                train.cap = target
            elif train.cap < math.inf:
                train.cap = self.toward(target, train.cap, chord, passed_s)
            if train.cap >= scale:
                train.cap = math.inf

    def lawful(self, chord: Chord, wanted: float) -> tuple[float, HeldBack | None]:
        """The largest scale up to `wanted` that the law takes, and what it says; -1: none."""
        ledger = self._ledger
        if not chord.trains:
            return wanted, None
        if chord.fresh:
            over = ledger.excess_starts(chord.pace_hz, len(chord.trains), chord.ended)
            if over > 0:
                reserve = ledger.starts.reserve
                return -1.0, HeldBack(Limit.RESERVE, Effect.DROPPED, 0, reserve + over, reserve, ())
        high, bucket = self._excess(chord, wanted)
        if high <= 0:
            return wanted, None
        why = self._law(Effect.STEPPED, high, bucket)
        low, bucket = self._excess(chord, 0.0)
        if low > 0:
            return -1.0, self._law(Effect.DROPPED, low, bucket)
        # The excess rises with the scale, mostly convex: the chord's zero between a lawful and an
        # unlawful scale is close below the edge. Halving in turn with it closes in from both sides.
        good, bad = 0.0, wanted
        for turn in range(8):
            middle = (good + bad) / 2 if turn % 2 else good + (bad - good) * low / (low - high)
            value, _ = self._excess(chord, middle)
            if value > 0:
                bad, high = middle, value
            else:
                good, low = middle, value
            if bad - good < 0.003:
                break
        return good, why

    def _excess(self, chord: Chord, scale: float) -> tuple[float, Bucket | None]:
        """By how much, and where; None: at the mains."""
        flow, on_sum_us, owed_us = chord.at(scale, self._shortest_us)
        excess, bucket = self._ledger.excess(flow, on_sum_us, owed_us)
        mains = None if self._power is None else self._power.mains
        if mains is not None:
            draw_a = mains.draw_a(chord.trains_at(scale, self._shortest_us))
            if (over := mains.excess_as(draw_a, owed_us)) > max(0.0, excess):
                return over, None
        return excess, bucket

    def _law(self, effect: Effect, excess: float, bucket: Bucket | None) -> HeldBack:
        if bucket is None:
            assert self._power is not None
            assert self._power.mains is not None
            allowed = self._power.mains.budget_a
            return HeldBack(Limit.MAINS, effect, 0, allowed + excess, allowed, ())
        window_ms, reserve = bucket.allowance.window_ms, bucket.reserve
        return HeldBack(Limit.RESERVE, effect, window_ms, reserve + excess, reserve, ())
