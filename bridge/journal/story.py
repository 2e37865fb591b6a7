"""A night in numbers, gathered from its events one by one. Pure.

Pulses are worked out of the frames (fired.py); energy and mains by the governor's own worst case.
"""

from __future__ import annotations

from array import array
from collections import defaultdict, deque
from dataclasses import dataclass, field
from typing import Any

from bridge import entries
from bridge.coil.curves import curves_of
from bridge.config import Config
from bridge.governor.mains import budget_of
from bridge.governor.reasons import Effect, Limit
from bridge.journal.fired import FiredPulses
from bridge.journal.lines import USUAL, Kind, lines
from bridge.journal.values import ClockFix, Event, Missing, Sounding, Told
from bridge.journal.wire import FromBoard, WireReader
from bridge.link.renewal import LEASE_S, REFRESH_S
from bridge.link.slots import MOTION_S
from firmware_protocol.messages import TICK_HZ, Status

BEFORE_TRIP_S = 10.0
LINES_BEFORE_TRIP = 250
NOTE_ON = 0x90
KNOWN_PPM = 100.0
"""The first pairs say little of a board's rate: fixes less sure than this are not looked at."""


@dataclass(slots=True)
class Played:
    """What came on one channel of one input."""

    messages: int = 0
    notes: int = 0
    lowest: int = 127
    highest: int = 0


@dataclass(slots=True)
class Bit:
    """A limit that bit on one coil."""

    times: int = 0
    seconds: float = 0.0
    worst_asked: float = 0.0
    worst_allowed: float = 0.0


@dataclass(slots=True)
class CoilNight:
    start_us: array[float] = field(default_factory=lambda: array("d"))
    """Of every pulse, from the run's begin."""
    on_time_us: array[float] = field(default_factory=lambda: array("d"))
    sounding_s: float = 0.0
    energy_j: float | None = None
    """At most, by the worst case; None: its tank or supply is not known."""


@dataclass(slots=True)
class LinkNight:
    bad_frames: int = 0
    line_errors: int = 0
    line_errors_in_bangs: int = 0
    late_frames: int = 0
    restarts: int = 0
    least_ppm: float = float("inf")
    most_ppm: float = float("-inf")


@dataclass(slots=True)
class TripNight:
    at_s: float
    line: str
    before: tuple[tuple[float, str], ...]
    """(host time, line) of what was usual in the seconds before, the newest last."""
    is_cut: bool = False
    """There was more than LINES_BEFORE_TRIP."""


LimitKey = tuple[str, Limit, Effect, int]
"""Coil, limit, effect, window in ms."""


class Story:
    """Fed with every event in order, then `end`."""

    def __init__(self, config: Config, began_s: float) -> None:
        self.played: dict[tuple[str, int], Played] = defaultdict(Played)
        self.coils = {c.name: CoilNight() for c in config.coil}
        self.links = {c.name: LinkNight() for c in config.controller}
        self.limits: dict[LimitKey, Bit] = defaultdict(Bit)
        self.trips: list[TripNight] = []
        self.changes: list[tuple[float, str]] = []
        self.refused: list[tuple[float, str]] = []
        """Arming and resets that were denied."""
        self.faded = 0
        self.stalls = 0
        self.input_losses = 0
        self.missing = 0
        self.armed_s = 0.0
        self.on_times_us: dict[str, dict[int, list[float]]] = {
            c.name: defaultdict(list) for c in config.coil
        }
        """Of each second of the run."""
        self.energy_j: dict[str, dict[int, float]] = {
            c.name: defaultdict(float) for c in config.coil
        }
        """Of each second, at most; empty where it is not known."""
        self.mains_a: dict[str, dict[int, float]] = {
            c.name: defaultdict(float) for c in config.coil
        }
        """Mean mains current of each second, at most; empty where it is not known."""
        self._began_s = began_s
        self._fired = FiredPulses(config, self._pulse)
        self._wire = WireReader()
        self._curves = {c.name: curves_of(c) for c in config.coil}
        budget = budget_of(config, lease_s=LEASE_S, refresh_s=REFRESH_S, motion_s=MOTION_S)
        self._shares = budget.shares if budget else {}
        self._recent: deque[tuple[float, str]] = deque(maxlen=LINES_BEFORE_TRIP)
        self._sounds_since: dict[str, float] = {}
        self._held_since: dict[str, tuple[float, list[LimitKey]]] = {}
        self._armed_since: float | None = None
        self._status: dict[str, Status] = {}

    @property
    def counted(self) -> dict[str, Any]:
        """What the boards counted, by coil."""
        return dict(self._fired.counted)

    def take(self, event: Event) -> None:
        self._fired.take(event)
        if not _is_motion(event):
            for at_s, kind, text in lines(event, _NoWire()):
                if kind in USUAL and kind is not Kind.RECORDS:
                    self._recent.append((at_s, text))
        for message in self._wire.take(event):
            if isinstance(message, FromBoard) and isinstance(message.message, Status):
                self._took_status(message.controller, message.message)
        match event:
            case entries.Midi():
                self._midi(event)
            case Sounding():
                self._sounding(event)
            case Told():
                self._told(event)
            case ClockFix() if event.standard_error_ppm < KNOWN_PPM:
                ppm = (event.rate_hz / TICK_HZ - 1) * 1e6
                link = self.links[event.controller]
                link.least_ppm = min(link.least_ppm, ppm)
                link.most_ppm = max(link.most_ppm, ppm)
            case Missing():
                self.missing += event.lost
            case _:
                pass

    def end(self, at_s: float) -> None:
        """The run ended then, as far as is known."""
        self._fired.end(at_s)
        for coil, since_s in self._sounds_since.items():
            self.coils[coil].sounding_s += at_s - since_s
        self._sounds_since.clear()
        for coil in tuple(self._held_since):
            self._held(coil, at_s, [])
        if self._armed_since is not None:
            self.armed_s += at_s - self._armed_since

    # -- inside -------------------------------------------------------------------------------

    def _pulse(self, coil: str, start_s: float, on_us: float) -> None:
        night = self.coils[coil]
        since_s = start_s - self._began_s
        night.start_us.append(since_s * 1e6)
        night.on_time_us.append(on_us)
        second = int(since_s)
        self.on_times_us[coil][second].append(on_us)
        if (curves := self._curves[coil]) is not None:
            energy_j = curves.most_energy_j(on_us)
            night.energy_j = (night.energy_j or 0.0) + energy_j
            self.energy_j[coil][second] += energy_j
        if (share := self._shares.get(coil)) is not None:
            self.mains_a[coil][second] += share.charge_as(on_us)

    def _midi(self, event: entries.Midi) -> None:
        message = event.message
        if not message or message[0] >= 0xF0:
            return
        played = self.played[event.input_name, (message[0] & 0x0F) + 1]
        played.messages += 1
        if message[0] & 0xF0 == NOTE_ON and len(message) > 2 and message[2]:
            played.notes += 1
            played.lowest = min(played.lowest, message[1])
            played.highest = max(played.highest, message[1])

    def _sounding(self, event: Sounding) -> None:
        since_s = self._sounds_since.pop(event.coil, None)
        if since_s is not None:
            self.coils[event.coil].sounding_s += event.at_s - since_s
        if event.voices:
            self._sounds_since[event.coil] = event.at_s

    def _told(self, event: Told) -> None:
        match event.kind:
            case "HeldBackChanged":
                held = event.fields["held_back"]
                keys: list[LimitKey] = []
                for h in held:
                    key = (
                        event.fields["coil"], Limit[h["limit"]], Effect[h["effect"]],
                        h["window_ms"],
                    )  # fmt: skip
                    keys.append(key)
                    bit = self.limits[key]
                    if _excess(h["asked"], h["allowed"]) >= _excess(
                        bit.worst_asked, bit.worst_allowed
                    ):
                        bit.worst_asked, bit.worst_allowed = h["asked"], h["allowed"]
                self._held(event.fields["coil"], event.at_s, keys)
                return
            case "InterlockChanged":
                self._changed(event)
            case "ArmDenied" | "ResetDenied":
                self.refused.append((event.at_s, event.line))
            case "InputChanged":
                text = str(event.fields["text"])
                self.input_losses += text.startswith("lost")
            case "LinkChanged":
                if "restarted" in event.line:
                    self.links[event.fields["controller"]].restarts += 1
            case "Remark":
                self.faded += event.fields["source"] == "music" and "fade" in event.line
            case _:
                pass
        if event.line:
            self._recent.append((event.at_s, event.line))

    def _changed(self, event: Told) -> None:
        change = event.fields["change"]
        self.changes.append((event.at_s, event.line))
        if change["after"] == "ARMED":
            self._armed_since = event.at_s
        elif self._armed_since is not None:
            self.armed_s += event.at_s - self._armed_since
            self._armed_since = None
        if change["after"] == "TRIPPED":
            self.stalls += "HOST_STALLED" in str(change["trip"])
            before = tuple(x for x in self._recent if x[0] >= event.at_s - BEFORE_TRIP_S)
            is_cut = len(before) == LINES_BEFORE_TRIP
            self.trips.append(TripNight(event.at_s, event.line, before, is_cut))

    def _held(self, coil: str, at_s: float, keys: list[LimitKey]) -> None:
        since_s, before = self._held_since.pop(coil, (at_s, []))
        for key in set(before):
            self.limits[key].seconds += at_s - since_s
        for key in set(keys) - set(before):
            self.limits[key].times += 1
        if keys:
            self._held_since[coil] = (at_s, keys)

    def _took_status(self, controller: str, status: Status) -> None:
        before = self._status.get(controller)
        self._status[controller] = status
        if before is None:
            return
        link = self.links[controller]
        for name in ("bad_frames", "line_errors", "line_errors_in_bangs", "late_frames"):
            more = (getattr(status, name) - getattr(before, name)) & 0xFFFF
            if more < 0x8000:  # less: the board restarted and counts anew
                setattr(link, name, getattr(link, name) + more)


def _is_motion(event: Event) -> bool:
    """Bends and pressure come by the hundred and would push everything else out."""
    return (
        isinstance(event, entries.Midi)
        and event.message[:1] >= b"\xa0"
        and (event.message[0] & 0xF0 in (0xA0, 0xD0, 0xE0))
    )


class _NoWire(WireReader):
    """For lines without frames: the story reads those itself."""

    def take(self, event: Event) -> list[Any]:
        return []


def _excess(asked: float, allowed: float) -> float:
    return asked / allowed if allowed > 0 else asked
