"""What is said over MQTT, as models: TOPICS.md and schemas_v1.json tell of them, held by tests.

Versioned by `schema_version`: a key is added without a new number, anything else needs one.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

SCHEMA_VERSION = 1
GONE = "The daemon is gone: the site is not known to be silent, and it is not safe to approach."


class _Said(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    schema_version: Literal[1] = SCHEMA_VERSION
    site: str
    bridge: str


class TripSaid(BaseModel):
    """The latched trip."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    number: int
    cause: int
    """Its number in the table of causes."""
    origin: str
    sentence: str
    remedy: str


class StateSaid(_Said):
    """Retained; also the last will, with `online` false and state unknown."""

    online: bool
    state: Literal["locked", "arming", "armed", "tripped", "unknown"]
    caution: str
    """Empty only while armed."""
    trip: TripSaid | None = None
    time: str = ""
    """Local time of day with its offset, ISO 8601; "" in the last will."""


class CoilMeters(BaseModel):
    """One coil as the governor has it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    voices: list[tuple[float, float]]
    """[break rate in Hz, on-time in µs] of each voice."""
    shares: dict[str, float]
    """Of each limit in use, 0..1, by the limit's name."""
    held_back: list[str]


class MetersSaid(_Said):
    """At the configured rate, not retained."""

    time: str
    coils: dict[str, CoilMeters]


class EventSaid(_Said):
    """As it happens, not retained."""

    time: str
    kind: Literal["trip", "interlock", "limit", "note", "missing"]
    source: str
    """A coil, a controller, an input, or ""."""
    text: str
    count: int = Field(default=1, ge=1)
    """missing: so many events could not be kept for the broker."""


class StopWanted(BaseModel):
    """What a device may send to a stop topic. Anything else it sends there stops just as well."""

    schema_version: Literal[1] = SCHEMA_VERSION
    by: str = Field(max_length=60)
    """Who or what stops, for the record."""


def json_schemas() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of each message, by its name: the file schemas_v1.json."""
    messages: tuple[type[BaseModel], ...] = (StateSaid, MetersSaid, EventSaid, StopWanted)
    return {m.__name__: m.model_json_schema() for m in messages}
