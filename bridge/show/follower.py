"""Follows a time code or clock that a DAW sends: lock, freewheel, relocate, stop. Pure."""

from __future__ import annotations

from enum import Enum

from bridge.clocks import HostS
from bridge.show.clock_map import ClockMap, RobustLine
from bridge.show.mtc import Heard, Observation

LOCK_S = 0.12
"""So long the code must run without a break before anything sounds."""
QUIET_S = 0.1
"""No sign for this long: it runs on by itself. The slowest time code gives one every 10.4 ms (24
frames a second); a clock gives one every 63 ms at 40 beats a minute: below 25 none locks."""
FREEWHEEL_S = 0.5
"""No sign for this long: the sender has stopped. Time code has no other way to say so."""
WINDOW_S = 4.0
"""The rate is that of the last so many seconds."""
TIME_CODE_ERROR = 0.005
"""Time code runs at its nominal rate but for the sender's oscillator."""
CLOCK_ERROR = 0.3
"""A MIDI clock has the sender's tempo, which need not be the score's."""
PLACE_S = 0.04
"""An observation this far off, and by what the rate may be off, is another place, when the next
ones agree."""
_MISFITS = 4


class Lock(Enum):
    """How the show stands to its master."""

    STOPPED = "stopped"
    LOCKING = "locking"
    LOCKED = "locked"
    FREEWHEEL = "freewheel"


class Follower:
    """Position of the sender at any host time, once locked."""

    def __init__(self, *, prior_error: float = TIME_CODE_ERROR) -> None:
        """`prior_error`: by what share its rate may be off what is expected of it."""
        self.map = ClockMap(RobustLine(WINDOW_S, prior_error=prior_error))
        self._prior_error = prior_error
        self._lock = Lock.STOPPED
        self._since_s = HostS(0.0)
        self._heard_s = HostS(float("-inf"))
        self._misfits = 0

    @property
    def lock(self) -> Lock:
        """As of the last `observe` or `advance`."""
        return self._lock

    @property
    def runs(self) -> bool:
        """The map may be played by."""
        return self._lock in (Lock.LOCKED, Lock.FREEWHEEL)

    def observe(self, seen: Observation) -> bool:
        """What the reader heard. True: the music's place has changed, sounding notes must end."""
        now_s = seen.host_s
        changed = self.advance(now_s)
        place_s = PLACE_S + self._prior_error * min(QUIET_S, now_s - self._heard_s)
        if seen.heard is not Heard.RUNS:
            return self._stop() or changed
        self._heard_s = now_s
        if self._lock is Lock.STOPPED:
            self._begin(now_s)
        elif abs(self.map.line.at(now_s) - seen.position) > place_s:
            self._misfits += 1
            if self._misfits < _MISFITS:
                return changed
            changed = self.runs or changed
            self._begin(now_s)
        self._misfits = 0
        self.map.observe(now_s, seen.position, settle=self._lock is Lock.LOCKING)
        if self._lock is Lock.FREEWHEEL or (
            self._lock is Lock.LOCKING and now_s - self._since_s >= LOCK_S
        ):
            self._lock = Lock.LOCKED
        return changed

    def advance(self, now_s: HostS) -> bool:
        """Time passes. True: it has stopped by staying quiet."""
        quiet_s = now_s - self._heard_s
        if quiet_s > FREEWHEEL_S or (quiet_s > QUIET_S and self._lock is Lock.LOCKING):
            return self._stop()
        if quiet_s > QUIET_S and self._lock is Lock.LOCKED:
            self._lock = Lock.FREEWHEEL
        return False

    def _begin(self, now_s: HostS) -> None:
        self.map.restart()
        self._lock, self._since_s = Lock.LOCKING, now_s

    def _stop(self) -> bool:
        ran = self.runs
        self._lock = Lock.STOPPED
        self._misfits = 0
        return ran
