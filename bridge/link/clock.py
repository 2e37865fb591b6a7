"""A controller's clock as the host sees it: tick rate and tick count, from ping and pong. Pure.

Two clocks, never mixed up: HostS and Tick (clocks.py). Inside, ticks are extended, so that they
never wrap. One Clock per boot of one controller.

Method: each pong gives one pair (host time, tick), taken at the middle of the round trip, with the
bytes' own time on the wire taken out. The error of a pair is at most half of what its round trip
exceeds the shortest, so that is how little it weighs. A least-squares line through the pairs, older
ones weighing less, gives the rate. Periods use a rate that slews at most `SLEW_PPM_PER_S`, which no
ear follows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.clocks import HostS, Tick
from firmware_protocol.messages import TICK_HZ, ticks_between

TOLERANCE_PPM = 5500.0
"""Boards may be off by ± 5,000 ppm; a little more is estimation error. Beyond it, no arming."""
OUT_OF_TOLERANCE_PPM = TOLERANCE_PPM + 1000
"""What was armed is tripped beyond this: on a link that jitters by 50 ms estimates wander by
hundreds of ppm, and a board at the edge of its tolerance must not stop a show for that."""
IN_STEP_PPM = 60.0
"""Arming waits until the rate is known to this (one standard error): a tenth of a cent."""
OUT_OF_STEP_PPM = 2 * IN_STEP_PPM
"""What was in step is so until its error grows to this: one bad pair must not make it flicker."""
SLEW_PPM_PER_S = 60.0
"""A tenth of a cent a second."""
_LEAST_PAIRS = 12
"""With fewer a standard error says little."""
_FIRST_PAIRS = 32
"""So many pairs are looked at again when a shorter round trip shows what short is."""
_DECAY_S = 20.0
"""Long against jitter, short against the warming of a resonator: a drift of 0.1 ppm a second
shifts the line's end by 0.1 · 20² = 40 µs."""
_LONGER_S_PER_S = 1e-4
"""The shortest round trip ages by this, so that a link that became slower is heard again."""
_LOST_STEP_S = 0.02
"""A pair this much further off the line than its round trip explains, three times running, means
that the clock jumped: start again."""
_PAIR_ERROR_S = 2e-5
"""Perfect pairs would claim certainty; a pair is never better than its tick and timestamp."""
_GOOD_PAIR_S = 1e-4
"""The error of a pair whose round trip is the shortest: it weighs 1."""
_EVEN_SHARE = 1 / math.sqrt(12)
"""Standard deviation of an error that may lie anywhere in a range, as a share of the range."""
_USELESS_S = 0.25
"""A round trip this much longer than the shortest is not looked at."""


@dataclass(frozen=True, slots=True)
class _Pair:
    host_s: HostS
    tick: int
    """Extended: it does not wrap."""
    round_trip_s: float


class _Line:
    """A least-squares line with decaying weights, in fixed memory and time.

    y is the ticks beyond the nominal rate. Kept are the weighted means and central moments, which
    stay small and exact however long it runs (the pairwise update of West, CACM 22 (1979) 532,
    from memory; with every old weight multiplied by the decay first).
    """

    def __init__(self, nominal_hz: float) -> None:
        self._nominal_hz = nominal_hz
        self._host0 = self._newest_s = HostS(0.0)
        self._tick0 = 0
        self.count = 0
        self._w = self._pairs = self._mx = self._my = self._sxx = self._sxy = self._syy = 0.0
        self._newest_tick = 0

    def add(self, pair: _Pair, weight: float) -> None:
        """`weight` above 0: as the inverse of the pair's variance; 1 for the best."""
        if not self.count:
            self._host0, self._tick0, self._newest_s = pair.host_s, pair.tick, pair.host_s
        x = pair.host_s - self._host0
        y = (pair.tick - self._tick0) - x * self._nominal_hz
        decay = math.exp(-max(0.0, pair.host_s - self._newest_s) / _DECAY_S)
        self._w = decay * self._w + weight
        self._pairs = decay * self._pairs + 1
        dx, dy, share = x - self._mx, y - self._my, weight * (1 - weight / self._w)
        self._mx += dx * weight / self._w
        self._my += dy * weight / self._w
        self._sxx = decay * self._sxx + share * dx * dx
        self._sxy = decay * self._sxy + share * dx * dy
        self._syy = decay * self._syy + share * dy * dy
        self._newest_s, self._newest_tick = pair.host_s, pair.tick
        self.count += 1

    @property
    def _steep(self) -> bool:
        return self.count >= 3 and self._sxx > 0

    def slope(self) -> float:
        """Ticks a second beyond the nominal rate."""
        return self._sxy / self._sxx if self._steep else 0.0

    def standard_error_ppm(self) -> float:
        if not self._steep or self.count < _LEAST_PAIRS:
            return math.inf
        residual = max(0.0, self._syy - self.slope() * self._sxy)
        variance = residual / max(1.0, self._pairs - 2)
        floor = (_PAIR_ERROR_S * self._nominal_hz) ** 2
        return math.sqrt(max(variance, floor) / self._sxx) / self._nominal_hz * 1e6

    def tick_at(self, host_s: HostS) -> float:
        """On the line; before there is one, through the newest pair at the nominal rate."""
        if not self._steep:
            return self._newest_tick + (host_s - self._newest_s) * self._nominal_hz
        x = host_s - self._host0
        on_line = self._my + self.slope() * (x - self._mx)
        return self._tick0 + x * self._nominal_hz + on_line


class Clock:
    """The mapping host time → controller ticks."""

    def __init__(self, nominal_hz: float = TICK_HZ) -> None:
        self.nominal_hz = nominal_hz
        self.rejected = 0
        """Pairs not looked at for a very long round trip."""
        self.jumps = 0
        self._line = _Line(nominal_hz)
        self._rate_hz = nominal_hz
        self._error_ppm = math.inf
        self._in_step = False
        self._first: list[_Pair] = []
        self._shortest_s = math.inf
        self._heard_s: float = -math.inf
        self._slewed_hz = nominal_hz
        self._slewed_at: HostS | None = None
        self._misfits = 0

    @property
    def rate_hz(self) -> float:
        """Best estimate of ticks per host second."""
        return self._rate_hz

    @property
    def error_ppm(self) -> float:
        """The board's deviation from nominal, as estimated."""
        return (self._rate_hz / self.nominal_hz - 1) * 1e6

    @property
    def standard_error_ppm(self) -> float:
        """One standard error of the rate; infinite until it is known."""
        return self._error_ppm

    @property
    def known(self) -> bool:
        return self._line.count > 0

    def problem(self) -> str:
        """ "" when in step; else what is wrong."""
        if not self.known:
            return "no time answer yet"
        if not self._in_step:
            return "still measuring its rate"
        if abs(self.error_ppm) > TOLERANCE_PPM:
            return f"off by {self.error_ppm:+.0f} ppm; at most ± {TOLERANCE_PPM:.0f}"
        return ""

    def add(
        self,
        sent_s: HostS,
        received_s: HostS,
        *,
        received_at: Tick,
        sent_at: Tick,
        wire_out_s: float,
        wire_back_s: float,
    ) -> None:
        """One pong. `wire_*_s`: the time the two frames themselves take on the line."""
        held = ticks_between(sent_at, received_at)
        start, end = HostS(sent_s + wire_out_s), HostS(received_s - wire_back_s)
        round_trip = end - start - held / self._rate_hz
        raw = (received_at + held // 2) & 0xFFFF_FFFF
        middle = HostS((start + end) / 2)
        self._learn_shortest(end, round_trip)
        if round_trip > self._shortest_s + _USELESS_S:
            self.rejected += 1
            return
        tick = raw
        if self.known:
            expected = self._line.tick_at(middle)
            tick = round(expected) + ticks_between(raw, round(expected) & 0xFFFF_FFFF)
            # Jitter puts a pair off by half its round trip at most; more, and the clock jumped.
            explained_s = _LOST_STEP_S + max(0.0, round_trip) / 2
            if self._line.count >= 4 and abs(tick - expected) > explained_s * self._rate_hz:
                self._misfits += 1
                if self._misfits >= 3:
                    self.jumps += 1
                    self._restart([_Pair(middle, raw, round_trip)])
                return
        self._misfits = 0
        self._take(_Pair(middle, tick, round_trip))

    def slew(self, host_s: HostS, *, jump: bool = False) -> float:
        """The rate to scale periods by at `host_s`; `jump` takes the estimate at once (silence)."""
        if self._slewed_at is None or jump:
            self._slewed_hz = self._rate_hz
            self._slewed_at = host_s
            return self._slewed_hz
        passed_s = max(0.0, host_s - self._slewed_at)
        room = SLEW_PPM_PER_S * 1e-6 * self.nominal_hz * passed_s
        self._slewed_hz += max(-room, min(room, self._rate_hz - self._slewed_hz))
        self._slewed_at = HostS(self._slewed_at + passed_s)
        return self._slewed_hz

    def tick_at(self, host_s: HostS) -> Tick:
        """The controller's tick count at `host_s`."""
        return Tick(round(self._line.tick_at(host_s)) & 0xFFFF_FFFF)

    def _weight(self, round_trip_s: float) -> float:
        excess_s = max(0.0, round_trip_s - self._shortest_s)
        return 1 / (1 + (_EVEN_SHARE * excess_s / _GOOD_PAIR_S) ** 2)

    def _learn_shortest(self, now_s: HostS, round_trip_s: float) -> None:
        aged = self._shortest_s
        if self._heard_s > -math.inf:
            aged += _LONGER_S_PER_S * max(0.0, now_s - self._heard_s)
        self._heard_s = now_s
        shorter = round_trip_s < self._shortest_s
        self._shortest_s = min(round_trip_s, aged)
        if shorter and self._first:
            was_in_step = self._in_step
            self._restart(self._first)  # now it is known better what each was worth
            self._in_step = was_in_step and self._error_ppm <= OUT_OF_STEP_PPM

    def _restart(self, pairs: list[_Pair]) -> None:
        self._line = _Line(self.nominal_hz)
        self._first = []
        self._misfits = 0
        self._rate_hz = self.nominal_hz
        self._error_ppm = math.inf
        self._in_step = False
        for pair in pairs:
            self._take(pair)

    def _take(self, pair: _Pair) -> None:
        self._line.add(pair, self._weight(pair.round_trip_s))
        if self._line.count <= _FIRST_PAIRS:
            self._first.append(pair)
        else:
            self._first.clear()
        self._rate_hz = self.nominal_hz + self._line.slope()
        self._error_ppm = self._line.standard_error_ppm()
        self._in_step = self._error_ppm <= (OUT_OF_STEP_PPM if self._in_step else IN_STEP_PPM)
