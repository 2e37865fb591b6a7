"""Where the music is, from what a master clock says now and then: audio device, time code. Pure.

`RobustLine` fits position against host time over the last observations, with weights that take
away what lies far off (Huber's, scale by the median of the residuals) and a prior for the rate that
fades as soon as the observations tell it. The estimator of a controller's clock (link/clock.py)
weighs pairs by their round trip; here there is none, and arrivals are late, seldom early.

`ClockMap` follows that line without a step that an ear could follow, unless told to take it at
once.
"""

from __future__ import annotations

import math
from collections import deque

from bridge.clocks import HostS

MOST_POINTS = 40
"""Observations a fit looks at: those of a window are merged into so many."""
CLOSE_IN_S = 2.0
"""An error of the followed position is closed over this long ..."""
MOST_SLEW = 500e-6
"""... at most by this share of the rate: under a cent, half a millisecond in a second."""
JUMP_S = 0.03
"""A larger error is another place, not drift: it is taken at once."""
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


class ClockMap:
    """Host time ↔ position, as the music follows it."""

    def __init__(self, line: RobustLine) -> None:
        self.line = line
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
        if self._jump or settle or abs(error) > JUMP_S * self.line.rate:
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
