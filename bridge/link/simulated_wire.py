"""One direction of a serial line in simulated time: true to the baud rate, with seeded noise.

Pure: times are seconds on whatever clock the caller keeps. Bytes leave one after another, ten bit
times each, and a frame is delivered when its last bit has arrived. Order is kept, but a duplicate
(see `LineNoise`) comes as a whole frame at its own time. A line with bursts delivers byte by byte,
so that each can be hit by the bang that it meets.
"""

from __future__ import annotations

import math
from bisect import insort
from dataclasses import dataclass
from enum import Enum
from operator import attrgetter

from .line_noise import LineNoise

BITS_A_BYTE = 10
BREAK_S = 0.002
"""A line held low for this long is a break."""


class Arrival(Enum):
    """What arrives at the far end."""

    BYTES = "bytes"
    LINE_ERROR = "a byte with a framing error"
    BREAK = "the line has been low for 2 ms"
    IDLE = "the line is high again"


@dataclass(slots=True)
class Delivery:
    """One arrival; its last bit came at `time_s`, its first bit left at `sent_s`."""

    time_s: float
    kind: Arrival
    data: bytes
    sent_s: float
    hittable: bool = False
    """A burst may hit this single byte."""


class WireDirection:
    """Writes with their times in, deliveries with theirs out."""

    def __init__(self, baud: int, noise: LineNoise | None = None) -> None:
        if baud <= 0:
            raise ValueError(f"baud must be positive, not {baud}")
        self.byte_s = BITS_A_BYTE / baud
        self.noise = noise
        self._free_at_s = -math.inf
        self._last_delivery_s = -math.inf
        self._pending: list[Delivery] = []

    def write(self, time_s: float, data: bytes) -> None:
        """Bytes handed to the line at `time_s`; they leave when the line is free."""
        at = 0
        while at < len(data):
            end = data.find(b"\x00", at) + 1 or len(data)
            self._send(time_s, data[at:end])
            at = end

    def _send(self, time_s: float, frame: bytes) -> None:
        start = max(time_s, self._free_at_s)
        self._free_at_s = end = start + len(frame) * self.byte_s
        if self.noise is None:
            self._deliver(Delivery(end, Arrival.BYTES, frame, start))
            return
        passages = self.noise.pass_frame(frame)
        for number, passage in enumerate(passages):
            time = end + passage.delay_s
            if number == 0:  # the original keeps its place, a duplicate does not
                if self.noise.bursts:  # byte by byte: it must not begin before the last has ended
                    time = max(time, self._last_delivery_s + len(passage.data) * self.byte_s)
                time = self._last_delivery_s = max(time, self._last_delivery_s)
            if self.noise.bursts:
                self._deliver_bytes(time, passage.data, not self.noise.spares_bytes())
            else:
                self._deliver(Delivery(time, Arrival.BYTES, passage.data, start))

    def _deliver_bytes(self, end_s: float, data: bytes, hittable: bool) -> None:
        for index in range(len(data)):
            time = end_s - (len(data) - 1 - index) * self.byte_s
            byte = data[index : index + 1]
            self._deliver(Delivery(time, Arrival.BYTES, byte, time - self.byte_s, hittable))

    def _deliver(self, delivery: Delivery) -> None:
        insort(self._pending, delivery, key=attrgetter("time_s"))

    def hold_low(self, time_s: float, duration_s: float) -> None:
        """The sender holds the line low for `duration_s`, after what it has already been given."""
        start = max(time_s, self._free_at_s)
        self._free_at_s = end = start + duration_s
        byte_end = min(end, start + self.byte_s)
        self._deliver(Delivery(byte_end, Arrival.LINE_ERROR, b"", start))
        if duration_s >= BREAK_S:
            self._deliver(Delivery(start + BREAK_S, Arrival.BREAK, b"", start))
        self._deliver(Delivery(end, Arrival.IDLE, b"", start))
        self._last_delivery_s = max(self._last_delivery_s, end)

    def unsent_bytes(self, now_s: float) -> int:
        """Bytes that have not left yet (the one in progress included)."""
        return math.ceil(max(0.0, (self._free_at_s - now_s) / self.byte_s - 1e-6))

    def discard_unsent(self, now_s: float) -> None:
        """Throws away what has not begun to leave at `now_s`; a frame in progress is cut."""
        kept: list[Delivery] = []
        free_at = min(self._free_at_s, now_s)
        for delivery in self._pending:
            if delivery.sent_s >= now_s:
                continue
            if delivery.kind is Arrival.BYTES:
                sent = math.ceil((now_s - delivery.sent_s) / self.byte_s - 1e-6)
                if sent < len(delivery.data):
                    delivery.time_s -= (len(delivery.data) - sent) * self.byte_s
                    delivery.data = delivery.data[:sent]
                    free_at = delivery.sent_s + sent * self.byte_s
            else:
                free_at = max(free_at, delivery.time_s)
            kept.append(delivery)
        self._pending = sorted(kept, key=attrgetter("time_s"))
        self._free_at_s = free_at
        self._last_delivery_s = max((d.time_s for d in kept), default=free_at)

    def next_delivery_s(self) -> float:
        """When the next arrival is due; infinity if nothing is on its way."""
        return self._pending[0].time_s if self._pending else math.inf

    def take_next(self) -> Delivery:
        """The next arrival. Raises IndexError if nothing is on its way."""
        return self._pending.pop(0)
