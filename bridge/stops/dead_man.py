"""The dead man's switch: a thing that somebody must hold, or the site is silent. Pure.

Held by a level (a pedal, a key) it stays held until it is said to be released; held by a source
that must say so again and again (a page in a browser) it counts as released once that stays away.
A source that goes away counts as released, and only a fresh press holds again.
"""

from __future__ import annotations

import math

from bridge.clocks import HostS

RENEW_WITHIN_S = 0.4
"""A source that can vanish without a word must say it holds at least this often."""


class DeadMan:
    """Who holds it does not matter here."""

    def __init__(self, latch_after_s: float, renew_within_s: float = math.inf) -> None:
        """`latch_after_s`: let go for so long while armed, it is a trip."""
        self._latch_after_s = latch_after_s
        self._renew_within_s = renew_within_s
        self._held = False
        self._said_s = HostS(-math.inf)
        self._let_go_s = HostS(-math.inf)

    def held(self, at_s: HostS) -> None:
        """It is held, or still held."""
        self._held = True
        self._said_s = at_s

    def released(self, at_s: HostS) -> None:
        """Let go, or what held it went away."""
        if self.is_held(at_s):
            self._let_go_s = at_s
        elif self._held:
            self._let_go_s = self.expires_s
        self._held = False

    @property
    def expires_s(self) -> HostS:
        """When it counts as released though nobody says so."""
        return HostS(self._said_s + self._renew_within_s) if self._held else HostS(math.inf)

    def is_held(self, now_s: HostS) -> bool:
        return self._held and now_s < self.expires_s

    def let_go_too_long(self, now_s: HostS) -> bool:
        """Released for as long as it takes to be a trip."""
        return now_s >= self.latches_s(now_s)

    def latches_s(self, now_s: HostS) -> HostS:
        """When it becomes a trip; infinite while held."""
        if self.is_held(now_s):
            return HostS(math.inf)
        since = self.expires_s if self._held else self._let_go_s
        return HostS(since + self._latch_after_s)

    def next_s(self, now_s: HostS) -> HostS:
        """When it must be looked at though nothing happens."""
        return (
            min(self.expires_s, self.latches_s(now_s))
            if self.is_held(now_s)
            else (self.latches_s(now_s))
        )
