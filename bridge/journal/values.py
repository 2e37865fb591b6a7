"""What a journal holds beside the entries, as plain values. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

from bridge.clocks import HostS
from bridge.entries import Entry


class Told(NamedTuple):
    """A record of the Engine's, as it was told."""

    at_s: HostS
    kind: str
    """The record's class, e.g. "HeldBackChanged"."""
    fields: dict[str, Any]
    """Its fields as JSON values; enumerations by name."""
    line: str
    """As the operator read it, or ""."""


class Wrote(NamedTuple):
    """What went to a controller's line, when the write had returned."""

    at_s: HostS
    controller: str
    discard: bool
    data: bytes
    line_break: bool


class Sounding(NamedTuple):
    """What the governor decided for a coil, from now on."""

    at_s: HostS
    coil: str
    voices: tuple[tuple[int, float, float], ...]
    """(note, break rate in Hz, on-time in µs) of each."""
    scale: float
    """0..1: how far on-times reach from breakout to what was asked."""
    mains_a: float
    """Mean mains current at most; 0 where it is not known."""


class ClockFix(NamedTuple):
    """A controller's clock as the host knew it."""

    at_s: HostS
    controller: str
    tick: int
    """The controller's tick count at `at_s`, modulo 2**32."""
    rate_hz: float
    """Ticks per host second."""
    standard_error_ppm: float


class Missing(NamedTuple):
    """Here things are missing: the queue was full."""

    at_s: HostS
    lost: int
    """How many."""
    since_s: HostS


class Noted(NamedTuple):
    """Something that others than the Engine had to say."""

    at_s: HostS
    source: str
    text: str


Event = Entry | Told | Wrote | Sounding | ClockFix | Missing | Noted


@dataclass(frozen=True, slots=True)
class JournalState:
    """How the record itself does, for the panel and the terminal."""

    recording: bool
    path: str
    """The file written to, or "" while there is none."""
    lost: int
    """How many things this run could not keep."""
    problem: str
    """Why it does not record, or ""."""
