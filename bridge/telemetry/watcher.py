"""What the loop hands over for MQTT: plain values into bounded places, a few microseconds each.

States and meters: the newest only. Events: at most MOST_EVENTS, the rest counted. Nothing is
turned to text here and nobody is woken: the other thread comes to look.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from bridge.clocks import HostS
from bridge.engine import Engine
from bridge.governor.governor import Governed
from bridge.interlock import Latch
from bridge.records import LatchChanged, Record
from bridge.watcher import Watcher

MOST_EVENTS = 256


class MetersNow(NamedTuple):
    """Governed values are frozen: they may be looked at from another thread."""

    coils: tuple[tuple[str, int, Governed], ...]
    """(name, most break rate, what is governed) of each."""


@dataclass(slots=True)
class Waiting:
    """From the loop's thread to the other. Each field is put by one of them, in one step; events
    are put at one end and taken from the other."""

    events: deque[tuple[HostS, Record]]
    latch: Latch
    meters: MetersNow | None = None
    lost: int = 0
    """Events that found no place, in all; put by the loop's thread."""
    lost_said: int = 0
    """Of those; put by the other."""


class Telemetry(Watcher):
    """Watches."""

    def __init__(self, latch: Latch, meters_hz: float) -> None:
        self.waiting = Waiting(deque(), latch)
        self._period_s = 1 / meters_hz if meters_hz else math.inf
        self._due_s = HostS(-math.inf if meters_hz else math.inf)

    def recorded(self, at_s: HostS, record: Record) -> None:
        if isinstance(record, LatchChanged):
            self.waiting.latch = record.latch
            return
        if len(self.waiting.events) >= MOST_EVENTS:
            self.waiting.lost += 1
            return
        self.waiting.events.append((at_s, record))

    def settled(self, at_s: HostS, engine: Engine) -> None:
        if at_s < self._due_s:
            return
        self._due_s = HostS(at_s + self._period_s)
        self.waiting.meters = MetersNow(
            tuple(
                (n, line.coil.max_break_rate_hz, line.governed) for n, line in engine.lines.items()
            )
        )
