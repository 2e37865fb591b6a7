"""Whether a run's events, as they are or changed, give the frames that were written."""

from __future__ import annotations

from bridge.journal.night import Night
from bridge.journal.replay import replay
from bridge.journal.values import Event


def through(night: Night, events: list[Event]) -> bool:
    config = night.config()
    return replay(config, night.source(config), night.latch(), events).same
