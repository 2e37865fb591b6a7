"""What there is to see of a running site, as plain values for the terminal and as JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from bridge.engine import Engine
from bridge.governor.mains_budget import MainsBudget
from bridge.governor.reasons import Meters
from bridge.interlock import CAUSES, NOT_SAFE, State


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
    status_age_ms: float
    clock_ppm: float
    bad_frames: int
    line_errors: int
    line_errors_in_bangs: int
    guard_refusals: int
    collisions_dropped: int
    pulses: int
    can_break: bool | None


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
    midi_messages: dict[str, int]
    remarks: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def _meters(
    max_break_rate_hz: float, meters: Meters, mains: MainsBudget | None
) -> dict[str, float]:
    shares = {f"duty {w} ms": share for w, share in meters.duty_shares}
    shown = {**shares, "rate": meters.break_rate_hz / max_break_rate_hz}
    if mains is not None:
        shown["mains"] = meters.mains_a / mains.budget_a
    return shown


def site_view(engine: Engine, now_s: float) -> SiteView:
    """The site as it is at `now_s`."""
    interlock = engine.interlock
    trip, text, remedy = interlock.current_trip, "", ""
    if trip is not None:
        cause = CAUSES[trip.cause]
        where = f" ({trip.origin})" if trip.origin else ""
        detail = f" [{trip.detail}]" if trip.detail else ""
        text = f"trip {trip.number}, cause {int(trip.cause)}{where}: {cause.sentence}{detail}"
        remedy = f"{cause.remedy} Clears {cause.clears.value}."
    conditions: tuple[str, ...] = ()
    if interlock.state in (State.LOCKED, State.TRIPPED):
        conditions = tuple(
            f"{c.name}: {c.found}. {c.remedy}" for c in engine.checks(now_s) if not c.passed
        )
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
                round(min(facts.status_age_s, 1e6) * 1000, 1),
                round(session.clock.error_ppm, 1),
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
    return SiteView(
        site=engine.config.site.name,
        state=interlock.state.value,
        caution="" if interlock.state is State.ARMED else NOT_SAFE,
        trip=text,
        remedy=remedy,
        open_conditions=conditions,
        coils=coils,
        links=tuple(links),
        midi_messages=dict(engine.midi_messages),
        remarks=(*engine.timeline.problems, *remarks),
    )
