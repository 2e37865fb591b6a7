"""How old a status is at most, whatever the line does. Pure.

When it was received says nothing: a line may lag by a second and still deliver every 50 ms. The
estimated clock says little more, since a lag that comes slowly is taken for the clock's offset.
What cannot be fooled: a controller reads its counter for a pong after the ping has left this host.
So each pong gives a host time before which the counter did not have that reading, and a status was
not sent before its own reading, counted from there at the fastest a board may run. How long bytes
take to come back does not enter; the best recent way out counts as age.
"""

from __future__ import annotations

import math

from bridge.clocks import HostS, Tick
from bridge.link.clock import TOLERANCE_PPM
from firmware_protocol.messages import TICK_HZ, ticks_between


class StatusAge:
    """One per boot of one controller."""

    def __init__(self, nominal_hz: float = TICK_HZ) -> None:
        self._fastest_hz = nominal_hz * (1 + TOLERANCE_PPM * 1e-6)
        self._slowest_hz = nominal_hz * (1 - TOLERANCE_PPM * 1e-6)
        self._anchor: tuple[HostS, Tick] | None = None
        self._status: tuple[HostS, Tick] | None = None

    def pong(self, sent_s: HostS, received_s: HostS, received_at: Tick) -> None:
        """A ping that left at `sent_s` found the counter at `received_at`, heard at `received_s`.

        Earlier pongs count on: of several ways out the shortest says most.
        """
        carried_s = self._earliest_s(received_at)
        jumped = carried_s > received_s
        self._anchor = (sent_s if jumped else max(sent_s, carried_s), received_at)

    def status(self, received_s: HostS, now: Tick) -> None:
        """A status with the counter reading `now`, heard at `received_s`."""
        self._status = (received_s, now)

    def at_most_s(self, now_s: HostS) -> float:
        """Age of the newest status, at most; infinite before the first status and pong."""
        if self._status is None:
            return math.inf
        received_s, tick = self._status
        return now_s - min(received_s, self._earliest_s(tick))

    def _earliest_s(self, tick: Tick) -> HostS:
        """The host time before which the counter did not read `tick`; -inf where not known."""
        if self._anchor is None:
            return HostS(-math.inf)
        host_s, anchor_tick = self._anchor
        passed = ticks_between(tick, anchor_tick)
        return HostS(host_s + passed / (self._fastest_hz if passed > 0 else self._slowest_hz))
