"""What a message on a stop topic means. Pure.

Whatever comes stops: a device that says it wrongly means it none the less. A retained stop comes
again with every connection, so it stops, says so, and stands against arming until it is taken away
(by an empty retained message, as MQTT has it); an empty message that takes nothing away stops too.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field
from typing import NamedTuple

from pydantic import ValidationError

from bridge.telemetry.schemas import StopWanted

_LONGEST_SHOWN = 60
_LONGEST_READ = 1000
"""Bytes. A longer payload is not looked into: that would take the interpreter from the music."""


class Meaning(NamedTuple):
    stops: bool
    detail: str
    retained: tuple[str, ...]
    """Topics at which a stop is known to be retained, from now on."""


@dataclass(slots=True)
class StopTopics:
    """Remembers what is retained."""

    retained: set[str] = field(default_factory=set[str])

    def connected(self) -> None:
        """Anew: what is still retained comes again."""
        self.retained.clear()

    def message(self, topic: str, payload: bytes, retain: bool) -> Meaning:
        stops = True
        if payload and retain:
            self.retained.add(topic)
        elif not payload and topic in self.retained:
            self.retained.discard(topic)
            stops = False
        detail = f"MQTT {topic}, by {_by(payload)}" + (" (retained)" if retain else "")
        return Meaning(stops, detail, tuple(sorted(self.retained)))


def _by(payload: bytes) -> str:
    text = "somebody who gave no name"
    if len(payload) <= _LONGEST_READ:
        with contextlib.suppress(ValidationError):
            text = StopWanted.model_validate_json(payload).by
    return "".join(c for c in text if c.isprintable())[:_LONGEST_SHOWN]


def objection(retained: tuple[str, ...]) -> tuple[str, str]:
    """(what stands against arming, remedy); empty where nothing does."""
    if not retained:
        return "", ""
    where = " and ".join(retained)
    return (
        f"a stop is retained at {where}",
        f"Find out who sent it; then clear it: mosquitto_pub -r -n -t {retained[0]}",
    )
