"""When a broker is too much to listen to. Pure.

Whatever it sends, reading it takes the interpreter from the music: so what counts is the time that
the listening thread spends, whatever it spends it on, and the size of a single packet.
"""

from __future__ import annotations

WINDOW_S = 0.5
MOST_BUSY_S = 0.15
"""Of each WINDOW_S. Meters ten times a second take about a tenth of it."""
MOST_PACKET_BYTES = 1 << 20
"""A packet is copied as a whole several times by the client, holding the interpreter."""


class Load:
    """Told, again and again, how long the thread has been busy in all."""

    def __init__(self, now_s: float, busy_s: float) -> None:
        self._since_s, self._busy_before_s = now_s, busy_s

    def too_much(self, now_s: float, busy_s: float, packet_bytes: int) -> bool:
        """`busy_s`: processor time of the thread so far; `packet_bytes`: the size that the packet
        now coming in says it has."""
        if packet_bytes > MOST_PACKET_BYTES or busy_s - self._busy_before_s > MOST_BUSY_S:
            return True
        if now_s - self._since_s >= WINDOW_S:
            self._since_s, self._busy_before_s = now_s, busy_s
        return False
