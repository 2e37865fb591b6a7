"""What there is to see of a running site, as plain values for the terminal and as JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from bridge.clocks import HostS
from bridge.engine import Engine
from bridge.governor.mains import SiteMains
from bridge.governor.reasons import Meters
from bridge.interlock import CAUSES, NOT_SAFE, State
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

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def _meters(max_break_rate_hz: float, meters: Meters, mains: SiteMains | None) -> dict[str, float]:
    shares = {f"duty {w} ms": share for w, share in meters.duty_shares}
    shown = {**shares, "rate": meters.break_rate_hz / max_break_rate_hz}
    if mains is not None:
        shown["mains"] = meters.mains_a / mains.budget_a
    return shown


def open_conditions(engine: Engine, now_s: HostS) -> tuple[str, ...]:
    """The checks that do not pass, each as `name: found. remedy`."""
    checks = engine.checks(now_s)
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
    conditions: tuple[str, ...] = ()
    if interlock.state in (State.LOCKED, State.TRIPPED):
        conditions = open_conditions(engine, now_s)
    coils = tuple(
        CoilView(
            name,
            tuple((v.break_rate_hz, v.on_time_us) for v in line.governed.voices),
            _meters(line.coil.max_break_rate_hz, line.governed.meters, engine.mains),
            tuple(h.sentence() for h in line.governed.held_back),
        )
        for name, line in engine.lines.items()
    )
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
        open_conditions=conditions,
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
    )
