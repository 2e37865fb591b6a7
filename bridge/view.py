"""What there is to see of a running site, as plain values for the terminal and as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, is_dataclass
from typing import Any

from bridge.checks import Check
from bridge.clocks import HostS
from bridge.coil_line import CoilLine
from bridge.engine import Engine
from bridge.governor.mains import SiteMains
from bridge.governor.reasons import Meters
from bridge.interlock import CAUSES, NOT_SAFE, State, Trip
from bridge.journal.values import JournalState
from bridge.midi_ports import PortStatus
from bridge.record_line import trip_text
from bridge.source import ScoreFeed, ShowStatus


@dataclass(frozen=True, slots=True)
class CoilView:
    name: str
    voices: tuple[tuple[float, float], ...]
    """(break rate in Hz, on-time in µs) of each voice sounding."""
    meters: dict[str, float]
    """Share of each limit in use, 0..1."""
    held_back: tuple[str, ...]
    notes: tuple[int, ...] = ()
    """MIDI note of each voice, as in `voices`."""
    break_rate_hz: float = 0.0
    """All voices together."""
    bang_energy_j: tuple[float, ...] | None = None
    """What a bang of each voice is expected to draw; None: tank or supply is not told."""
    power_w: float | None = None
    """Mean of all voices together, likewise."""
    mains_a: float | None = None
    """Mean mains current at most; None: not known."""


@dataclass(frozen=True, slots=True)
class LinkView:
    name: str
    text: str
    status_age_ms: float | None
    """None: no status that can be dated yet."""
    clock_ppm: float | None
    """None: no time answer yet."""
    bad_frames: int
    line_errors: int
    line_errors_in_bangs: int
    guard_refusals: int
    collisions_dropped: int
    pulses: int
    can_break: bool | None
    tick_rate_hz: float | None = None
    """Of the board's clock, in ticks a host second; None: not known yet."""


@dataclass(frozen=True, slots=True)
class TripView:
    """The latched trip in its parts, for a page that shows them apart."""

    number: int
    cause: int
    origin: str
    sentence: str
    detail: str
    remedy: str
    clears: str
    later: tuple[str, ...]
    """Sentences of what came after it."""


@dataclass(frozen=True, slots=True)
class InputView:
    """A MIDI input; how many messages it brought is in `SiteView.midi_messages`."""

    name: str
    state: str
    note: str
    """What the operator should know, or ""."""
    dropped: int
    """Messages thrown away under a flood."""


@dataclass(frozen=True, slots=True)
class SiteView:
    site: str
    state: str
    caution: str
    """"" only while armed."""
    trip: str
    remedy: str
    open_conditions: tuple[str, ...]
    """What still stands between the operator and armed, each with its remedy."""
    coils: tuple[CoilView, ...]
    links: tuple[LinkView, ...]
    inputs: tuple[InputView, ...]
    midi_messages: dict[str, int]
    remarks: tuple[str, ...]
    journal: JournalState | None = None
    """How the record of this run does; None: not asked for."""
    show: ShowStatus | None = None
    """None where no show is played."""
    checks: tuple[Check, ...] = ()
    """The whole arming list, while locked or tripped."""
    tripped: TripView | None = None
    mains_budget_a: float | None = None
    """What all coils together may draw for ever; None: not known."""

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def _meters(max_break_rate_hz: float, meters: Meters, mains: SiteMains | None) -> dict[str, float]:
    shares = {f"duty {w} ms": share for w, share in meters.duty_shares}
    shown = {**shares, "rate": meters.break_rate_hz / max_break_rate_hz}
    if mains is not None:
        shown["mains"] = meters.mains_a / mains.budget_a
    return shown


def as_text(view: SiteView) -> str:
    """The view as one line of JSON; quicker than `as_json`, which copies everything first."""
    return json.dumps(view, default=_fields, separators=(",", ":"))


def _fields(value: object) -> dict[str, Any]:
    if not is_dataclass(value):
        raise TypeError(f"{type(value).__name__} is no part of a view")
    return {f: getattr(value, f) for f in value.__dataclass_fields__}


def _trip_view(trip: Trip) -> TripView:
    text = CAUSES[trip.cause]
    later = tuple(f"{CAUSES[c].sentence} ({o})" if o else CAUSES[c].sentence for c, o in trip.later)
    return TripView(
        trip.number,
        int(trip.cause),
        trip.origin,
        text.sentence,
        trip.detail,
        text.remedy,
        text.clears.value,
        later,
    )


def _coil_view(name: str, line: CoilLine, mains: SiteMains | None) -> CoilView:
    governed = line.governed
    voices = governed.voices
    curves = line.governor.curves
    energies = None if curves is None else tuple([curves.energy_j(v.on_time_us) for v in voices])
    power_w = None
    if energies is not None:
        power_w = sum(e * v.break_rate_hz for e, v in zip(energies, voices, strict=True))
    return CoilView(
        name,
        tuple((v.break_rate_hz, v.on_time_us) for v in voices),
        _meters(line.coil.max_break_rate_hz, governed.meters, mains),
        tuple(h.sentence() for h in governed.held_back),
        notes=tuple(v.note for v in voices),
        break_rate_hz=governed.meters.break_rate_hz,
        bang_energy_j=energies,
        power_w=power_w,
        mains_a=governed.meters.mains_a if mains is not None and curves is not None else None,
    )


def open_conditions(engine: Engine, now_s: HostS) -> tuple[str, ...]:
    """The checks that do not pass, each as `name: found. remedy`."""
    return _open(engine.checks(now_s))


def _open(checks: Sequence[Check]) -> tuple[str, ...]:
    return tuple(f"{c.name}: {c.found}. {c.remedy}" for c in checks if not c.passed)


def site_view(
    engine: Engine,
    now_s: HostS,
    midi: Mapping[str, PortStatus] | None = None,
    journal: JournalState | None = None,
) -> SiteView:
    """The site as it is at `now_s`. `midi`: the inputs' states, where inputs are open."""
    interlock = engine.interlock
    trip, text, remedy = interlock.current_trip, "", ""
    if trip is not None:
        text = trip_text(trip)
        remedy = f"{CAUSES[trip.cause].remedy} Clears {CAUSES[trip.cause].clears.value}."
    checks: tuple[Check, ...] = ()
    if interlock.state in (State.LOCKED, State.TRIPPED):
        checks = tuple(engine.checks(now_s))
    coils = tuple(_coil_view(name, line, engine.mains) for name, line in engine.lines.items())
    links: list[LinkView] = []
    for name, session in engine.sessions.items():
        facts = session.facts(now_s)
        status = facts.status
        outputs = status.per_output if status else ()
        links.append(
            LinkView(
                name,
                "open" if facts.linked else facts.link_problem,
                round(facts.status_age_s * 1000, 1) if math.isfinite(facts.status_age_s) else None,
                round(session.clock.error_ppm, 1) if session.clock.known else None,
                session.counters.bad_frames + (status.bad_frames if status else 0),
                status.line_errors if status else 0,
                status.line_errors_in_bangs if status else 0,
                sum(o.guard_refusals for o in outputs),
                sum(o.collisions_dropped for o in outputs),
                sum(o.pulses for o in outputs),
                facts.can_break,
                round(session.clock.rate_hz, 1) if session.clock.known else None,
            )
        )
    remarks = [
        f"{n}: this adapter cannot send a break; the stop frame alone must do"
        for n, s in engine.sessions.items()
        if s.can_break is False
    ]
    if journal is not None and not journal.recording:
        remarks.append(f"not recorded: {journal.problem or 'the record is being opened'}")
    return SiteView(
        site=engine.config.site.name,
        state=interlock.state.value,
        caution="" if interlock.state is State.ARMED else NOT_SAFE,
        trip=text,
        remedy=remedy,
        open_conditions=_open(checks),
        coils=coils,
        links=tuple(links),
        inputs=tuple(
            InputView(name, status.state.value, status.note, status.dropped)
            for name, status in (midi or {}).items()
        ),
        midi_messages=dict(engine.midi_messages),
        remarks=(*engine.timeline.problems, *remarks),
        journal=journal,
        show=engine.source.status(now_s) if isinstance(engine.source, ScoreFeed) else None,
        checks=checks,
        tripped=None if trip is None else _trip_view(trip),
        mains_budget_a=None if engine.mains is None else engine.mains.budget_a,
    )
