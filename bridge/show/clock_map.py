"""Where the music is, from what a master clock says now and then: audio device, time code. Pure.

`RobustLine` fits position against host time over the last observations, with weights that take
away what lies far off (Huber's, scale by the median of the residuals) and a prior for the rate that
fades as soon as the observations tell it. The estimator of a controller's clock (link/clock.py)
weighs pairs by their round trip; here there is none, and arrivals are late, seldom early.

`EarliestLine` is for observations that may be late and are never early, of a clock whose callbacks
come by the hundred (an audio device): the line below which none lies, as near to them as can be.

`ClockMap` follows such a line without a step that an ear could follow, unless told to take it at
once.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Protocol

from bridge.clocks import HostS

MOST_POINTS = 40
"""Observations a fit looks at: those of a window are merged into so many."""
CLOSE_IN_S = 2.0
"""An error of the followed position is closed over this long ..."""
MOST_SLEW = 500e-6
"""... at most by this share of the rate: under a cent, half a millisecond in a second."""
JUMP_S = 0.03
"""A larger error is another place, not drift: it is taken at once."""
AUDIO_JUMP_S = 0.001
"""The same of an audio device, whose line (`EarliestLine`) is never so far off but after an
underrun: the first calls then may all be late, and what a later one puts right would be closed in
for half a minute."""
LEAST_SPAN_S = 1.0
"""From observations closer together no rate is read."""
_LEAST_SCALE_S = 2e-5
_HUBER = 1.5


class RobustLine:
    """position = line(host time), over a window."""

    def __init__(self, window_s: float, *, rate: float = 1.0, prior_error: float = 0.005) -> None:
        """`prior_error`: by what share the rate may be off before anything was observed."""
        self._gap_s = window_s / MOST_POINTS
        self._window_s = window_s
        self._nominal = rate
        self._prior_error = prior_error
        self._points: deque[tuple[float, float]] = deque()
        self._last_s = -math.inf
        self.rate = rate
        self.host_s = HostS(0.0)
        self.position = 0.0

    @property
    def count(self) -> int:
        return len(self._points)

    def restart(self) -> None:
        """Forgets what was observed; the rate stays as the prior."""
        self._points.clear()
        self._last_s = -math.inf

    def at(self, host_s: HostS) -> float:
        """Position on the line."""
        return self.position + (host_s - self.host_s) * self.rate

    def add(self, host_s: HostS, position: float) -> None:
        """An observation; times never decrease."""
        points = self._points
        if host_s - self._last_s >= self._gap_s or len(points) < 8:
            points.append((host_s, position))
            self._last_s = host_s
        elif position - self.at(host_s) > points[-1][1] - self.at(HostS(points[-1][0])):
            points[-1] = (host_s, position)  # the less late of two close ones
        while points[-1][0] - points[0][0] > self._window_s:
            points.popleft()
        self._fit()

    def _fit(self) -> None:
        points = self._points
        host0, position0 = points[-1]
        xs = [x - host0 for x, _ in points]
        ys = [y - position0 for _, y in points]
        weights = [1.0] * len(xs)
        rate, my, mx, scale = self._nominal, 0.0, 0.0, 1e-3
        for _ in range(4):
            total = sum(weights)
            mx = sum(w * x for w, x in zip(weights, xs, strict=True)) / total
            my = sum(w * y for w, y in zip(weights, ys, strict=True)) / total
            sxx = sum(w * (x - mx) ** 2 for w, x in zip(weights, xs, strict=True))
            sxy = sum(
                w * (x - mx) * (y - my - self._nominal * (x - mx))
                for w, x, y in zip(weights, xs, ys, strict=True)
            )
            prior = (scale / (self._prior_error * self._nominal)) ** 2
            rate = self._nominal + sxy / (sxx + prior)
            away = [abs(y - my - rate * (x - mx)) for x, y in zip(xs, ys, strict=True)]
            scale = max(_LEAST_SCALE_S, 1.48 * sorted(away)[len(away) // 2])
            weights = [min(1.0, _HUBER * scale / max(a, 1e-12)) for a in away]
        self.rate = rate
        self.host_s = HostS(host0 + mx)
        self.position = position0 + my


class EarliestLine:
    """position = line(host time), under the earliest observations of a window.

    Of each part of the window the least late observation is kept. The line is the edge of their
    convex hull that spans their mean time: of all lines that no observation beats, the one with the
    least sum of distances (linear programming in two unknowns, as for one-way delays between two
    clocks: Moon, Skelly & Towsley, INFOCOM 1999, from memory).
    """

    def __init__(self, window_s: float, *, rate: float = 1.0) -> None:
        self._gap_s = window_s / MOST_POINTS
        self._window_s = window_s
        self._points: deque[tuple[float, float]] = deque()
        self._part_s = -math.inf
        self.rate = rate
        self.knows_rate = False
        """Or `rate` is what was expected."""
        self.host_s = HostS(0.0)
        self.position = 0.0

    @property
    def count(self) -> int:
        return len(self._points)

    @property
    def span_s(self) -> float:
        """From the first observation to the last."""
        return self._points[-1][0] - self._points[0][0] if self._points else 0.0

    def restart(self) -> None:
        """Forgets where the master was; its rate stays, for that does not jump."""
        self._points.clear()
        self._part_s = -math.inf

    def at(self, host_s: HostS) -> float:
        """Position on the line."""
        return self.position + (host_s - self.host_s) * self.rate

    def add(self, host_s: HostS, position: float) -> None:
        """An observation; times never decrease. Nothing is fitted yet: see `fit`."""
        points = self._points
        if host_s - self._part_s >= self._gap_s:
            points.append((host_s, position))
            self._part_s = host_s
        elif position - points[-1][1] > (host_s - points[-1][0]) * self.rate:
            points[-1] = (host_s, position)  # the less late of one part
        while points[-1][0] - points[0][0] > self._window_s:
            points.popleft()

    def fit(self) -> None:
        """Draws the line anew. Until the window spans `LEAST_SPAN_S` the rate stays."""
        points = self._points
        if not points:
            return
        host0, position0 = points[-1]
        near = [(x - host0, y - position0) for x, y in points]
        if -near[0][0] >= LEAST_SPAN_S:
            (x0, y0), (x1, y1) = _edge_over_mean(near)
            self.rate = (y1 - y0) / (x1 - x0)
            self.knows_rate = True
        self.host_s = HostS(host0)
        self.position = position0 + max(y - self.rate * x for x, y in near)


def _edge_over_mean(
    points: list[tuple[float, float]],
) -> tuple[tuple[float, float], tuple[float, float]]:
    """The edge of the upper convex hull over the points' mean x; at least two, x rising.

    Position against time: who is late has come less far, so earliest is uppermost.
    """
    hull: list[tuple[float, float]] = []
    for x, y in points:
        while len(hull) > 1:
            (x0, y0), (x1, y1) = hull[-2:]
            if (x1 - x0) * (y - y0) < (y1 - y0) * (x - x0):
                break
            hull.pop()
        hull.append((x, y))
    mean = sum(x for x, _ in points) / len(points)
    right = next(i for i, (x, _) in enumerate(hull) if i and (x >= mean or i == len(hull) - 1))
    return hull[right - 1], hull[right]


class ToldLine:
    """A line that somebody else has fitted and tells."""

    def __init__(self) -> None:
        self.rate = 1.0
        self.host_s = HostS(0.0)
        self.position = 0.0

    def tell(self, host_s: HostS, position: float, rate: float) -> None:
        self.host_s, self.position, self.rate = host_s, position, rate

    def at(self, host_s: HostS) -> float:
        """Position on the line."""
        return self.position + (host_s - self.host_s) * self.rate

    def add(self, host_s: HostS, position: float) -> None:
        """It has been told."""

    def restart(self) -> None:
        """What is told next counts."""


class Line(Protocol):
    """Any of the three."""

    @property
    def rate(self) -> float: ...

    def at(self, host_s: HostS) -> float: ...

    def add(self, host_s: HostS, position: float) -> None: ...

    def restart(self) -> None: ...


class ClockMap:
    """Host time ↔ position, as the music follows it."""

    def __init__(self, line: Line, *, jump_s: float = JUMP_S) -> None:
        self.line = line
        self._jump_s = jump_s
        self._host_s = HostS(0.0)
        self._position = 0.0
        self._rate = line.rate
        self._jump = True

    @property
    def rate(self) -> float:
        return self._rate

    def restart(self) -> None:
        """The master jumped (another place, an underrun): the next observation is taken at once."""
        self.line.restart()
        self._jump = True

    def observe(self, host_s: HostS, position: float, *, settle: bool = False) -> None:
        """An observation; `settle`: nothing sounds yet, so the line is taken as it is."""
        self.line.add(host_s, position)
        here = self.position_at(host_s)
        error = self.line.at(host_s) - here
        if self._jump or settle or abs(error) > self._jump_s * self.line.rate:
            self._jump = False
            self._position, self._rate = self.line.at(host_s), self.line.rate
        else:
            most = MOST_SLEW * self.line.rate
            self._position = here
            self._rate = self.line.rate + max(-most, min(most, error / CLOSE_IN_S))
        self._host_s = host_s

    def position_at(self, host_s: HostS) -> float:
        return self._position + (host_s - self._host_s) * self._rate

    def host_at(self, position: float) -> HostS:
        """When the position is reached, the rate staying as it is."""
        return HostS(self._host_s + (position - self._position) / self._rate)
