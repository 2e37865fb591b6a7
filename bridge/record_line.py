"""What the engine reports, as lines for people. Pure."""

from __future__ import annotations

from bridge.interlock import CAUSES, NOT_SAFE, State, Trip
from bridge.records import (
    ArmDenied,
    HeldBackChanged,
    InputChanged,
    InterlockChanged,
    LatchChanged,
    LinkChanged,
    Record,
    Remark,
    ResetDenied,
    StopProven,
)


def trip_text(trip: Trip) -> str:
    """A trip as one sentence with its number, cause, origin and detail."""
    where = f" ({trip.origin})" if trip.origin else ""
    detail = f" [{trip.detail}]" if trip.detail else ""
    sentence = CAUSES[trip.cause].sentence
    return f"trip {trip.number}, cause {int(trip.cause)}{where}: {sentence}{detail}"


def record_line(record: Record) -> str | None:
    """One record as a line; None for what needs no line."""
    match record:
        case InterlockChanged(change):
            line = f"{change.before.value} → {change.after.value}"
            if change.trip is not None:
                line += f": {trip_text(change.trip)} {CAUSES[change.trip.cause].remedy}"
            if change.after is State.ARMED:
                return line
            return f"{line} {NOT_SAFE}" if change.trip is not None else f"{line}. {NOT_SAFE}"
        case ArmDenied(failed):
            return "not armed: " + "; ".join(failed) + f". {NOT_SAFE}"
        case ResetDenied(reasons):
            return "not reset: " + "; ".join(reasons) + f". {NOT_SAFE}"
        case LinkChanged(controller, text):
            return f"{controller}: {text}"
        case InputChanged(name, text):
            return f"input {name}: {text}"
        case StopProven(name, dark_after_ms):
            return f"proven: {name}, dark after {dark_after_ms:.0f} ms at most"
        case Remark(source, text):
            return f"{source}: {text}"
        case LatchChanged() | HeldBackChanged():  # the picture shows what is held back
            return None
