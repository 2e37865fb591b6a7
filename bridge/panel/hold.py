"""Arming by press and hold: one person's hold, timed here and not in the page. Pure."""

from __future__ import annotations

from enum import Enum, auto

HOLD_S = 1.5
"""How long it must be held."""
KEEP_S = 0.4
"""Without a sign for so long the hold is over. A page renews every 0.1 s."""


class Step(Enum):
    """What a sign of holding led to."""

    BEGUN = auto()
    GOES_ON = auto()
    DONE = auto()
    """Held long enough: once per hold."""
    OTHERS = auto()
    """Somebody else holds."""
    NONE = auto()
    """No hold of this seat's is alive."""


class ArmHold:
    """At most one hold at a time. Times are host seconds, never decreasing."""

    def __init__(self) -> None:
        self._seat: int | None = None
        self._who = ""
        self._begun_s = self._seen_s = 0.0
        self._done = False

    def holder(self, now_s: float) -> str:
        """Who holds, or ""."""
        return self._who if self._alive(now_s) and not self._done else ""

    def progress(self, now_s: float) -> float:
        """0..1; 0 where nobody holds."""
        if not self.holder(now_s):
            return 0.0
        return min(1.0, (now_s - self._begun_s) / HOLD_S)

    def begin(self, now_s: float, seat: int, who: str) -> Step:
        if self._alive(now_s) and not self._done and self._seat != seat:
            return Step.OTHERS
        if self._alive(now_s) and self._seat == seat:
            return Step.NONE  # it must be let go first
        self._seat, self._who, self._done = seat, who, False
        self._begun_s = self._seen_s = now_s
        return Step.BEGUN

    def keep(self, now_s: float, seat: int) -> Step:
        if self._seat != seat or not self._alive(now_s):
            return Step.NONE
        self._seen_s = now_s
        if self._done:
            return Step.NONE
        if now_s - self._begun_s >= HOLD_S:
            self._done = True
            return Step.DONE
        return Step.GOES_ON

    def end(self, now_s: float, seat: int) -> bool:
        """Let go, or gone; True where that was too soon."""
        if self._seat != seat:
            return False
        early = self._alive(now_s) and not self._done
        self._seat = None
        return early

    def cancel(self) -> None:
        """By a stop, a disarm, or a condition that is no longer met."""
        self._seat = None

    def _alive(self, now_s: float) -> bool:
        return self._seat is not None and now_s - self._seen_s <= KEEP_S
