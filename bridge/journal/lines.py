"""A journal's events as lines for people. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from enum import StrEnum
from typing import Any

from bridge import entries
from bridge.interlock import CAUSES
from bridge.journal.values import ClockFix, Event, Missing, Noted, Sounding, Told, Wrote
from bridge.journal.wire import FromBoard, ToBoard, WireReader
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import State as BoardState
from firmware_protocol.messages import PERIOD_UNITS_PER_TICK, TICK_HZ, Slot, Status, Voices

_NOTES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")
_KINDS = {0x8: "note off", 0x9: "note on", 0xA: "key pressure", 0xB: "controller",
          0xC: "program", 0xD: "pressure", 0xE: "bend"}  # fmt: skip
"""By the high half of the status byte (MIDI 1.0 detailed specification, table I)."""


class Kind(StrEnum):
    """What a line is about."""

    MIDI = "midi"
    ACTS = "acts"
    RECORDS = "records"
    SOUNDING = "sounding"
    FRAMES = "frames"
    STATUS = "status"
    CLOCK = "clock"
    STEPS = "steps"
    """The daemon's own: timers, and being asked what to write."""
    NOTES = "notes"


USUAL = frozenset({Kind.MIDI, Kind.ACTS, Kind.RECORDS, Kind.NOTES})


def lines(event: Event, wire: WireReader) -> Iterator[tuple[float, Kind, str]]:
    """What there is to say of one event: (host time, kind, text). `wire` sees every event."""
    for message in wire.take(event):
        yield from _message(message)
    at_s = event.at_s
    match event:
        case entries.Midi():
            yield at_s, Kind.MIDI, f"{event.input_name}: {midi_text(event.message)}"
        case entries.SourceTold():
            told = ", ".join(f"{name} {_numbers(n)}".strip() for name, n in event.commands)
            yield at_s, Kind.ACTS, f"by hand: {told}"
        case entries.SourceHeard():
            for name, numbers in event.commands:
                kind = Kind.STEPS if name.startswith("show audio") else Kind.ACTS
                yield at_s, kind, f"by hand: {name} {_numbers(numbers)}".strip()
        case entries.InputChange():
            yield at_s, Kind.STEPS, f"input {event.input_name}: {event.text}"
        case entries.LinkUp() | entries.BreakDone():
            words = "port open" if isinstance(event, entries.LinkUp) else "break done"
            yield at_s, Kind.STEPS, f"{event.controller}: {words}"
        case entries.LinkDown():
            yield at_s, Kind.STEPS, f"{event.controller}: {event.problem}"
        case entries.Acted():
            yield at_s, Kind.ACTS, f"{event.act.value}, by {event.by or 'nobody named'}"
        case entries.Stopped():
            who = f", by {event.by}" if event.by else ""
            detail = f" [{event.detail}]" if event.detail else ""
            yield at_s, Kind.ACTS, f"stop: {CAUSES[event.cause].sentence}{detail}{who}"
        case entries.StopInput():
            detail = f" [{event.detail}]" if event.detail else ""
            yield at_s, Kind.ACTS, f"stop {event.name}: {event.condition.value}{detail}"
        case entries.Hold():
            words = "held" if event.held else "let go"
            yield at_s, Kind.STEPS, f"dead man's switch: {words}"
        case entries.Proven():
            text = "not proven today: " + ", ".join(event.unproven)
            yield at_s, Kind.STEPS, text if event.unproven else "every stop proven today"
        case entries.Objection():
            text = (
                f"objection to arming: {event.found}" if event.found else "no objection to arming"
            )
            yield at_s, Kind.ACTS, f"{event.source}: {text}"
        case entries.Advance():
            yield at_s, Kind.STEPS, "timer"
        case entries.Collect():
            text = f"{event.controller}: asked what to write, {event.reported_unsent} bytes unsent"
            yield at_s, Kind.STEPS, text
        case Told():
            if event.line:
                yield at_s, Kind.RECORDS, event.line
        case Sounding():
            yield at_s, Kind.SOUNDING, _sounding(event)
        case ClockFix():
            ppm = (event.rate_hz / TICK_HZ - 1) * 1e6
            text = f"{event.controller}: tick {event.tick}, {ppm:+.1f} ppm"
            yield at_s, Kind.CLOCK, f"{text} ± {event.standard_error_ppm:.1f}"
        case Missing():
            seconds = event.at_s - event.since_s
            text = (
                f"{event.lost} things are missing here, of {seconds:.1f} s: the disk was too slow"
            )
            yield at_s, Kind.NOTES, text
        case Noted():
            yield at_s, Kind.NOTES, f"{event.source}: {event.text}"
        case Wrote():
            if event.discard or event.line_break:
                what = ["unsent bytes thrown away"] * event.discard + ["break"] * event.line_break
                yield at_s, Kind.FRAMES, f"→ {event.controller}: {', '.join(what)}"
        case entries.Received():
            pass  # its messages were said above


def midi_text(message: bytes) -> str:
    """A MIDI message in words."""
    kind = _KINDS.get(message[0] >> 4) if message else None
    if kind is None or len(message) < 2 or (message[0] >> 4 not in (0xC, 0xD) and len(message) < 3):
        return message.hex(" ") or "nothing"
    channel = (message[0] & 0x0F) + 1
    match kind:
        case "note on" | "note off" | "key pressure":
            if kind == "note on" and message[2] == 0:
                kind = "note off"
            return f"channel {channel} {kind} {note_name(message[1])} {message[2]}"
        case "bend":
            return f"channel {channel} bend {(message[2] << 7 | message[1]) - 8192:+d}"
        case "controller":
            return f"channel {channel} controller {message[1]} = {message[2]}"
        case _:
            return f"channel {channel} {kind} {message[1]}"


def note_name(note: int) -> str:
    """Scientific pitch notation: note 69 is A4 (middle C, 60, is C4)."""
    return f"{_NOTES[note % 12]}{note // 12 - 1}"


def _sounding(event: Sounding) -> str:
    voices = "  ".join(f"{note_name(n)} {r:.1f} Hz {o:.1f} µs" for n, r, o in event.voices)
    mains = f"  mains {event.mains_a:.1f} A" if event.mains_a else ""
    return f"{event.coil}: {voices or 'silent'}{mains}"


def _message(message: ToBoard | FromBoard) -> Iterator[tuple[float, Kind, str]]:
    arrow = "→" if isinstance(message, ToBoard) else "←"
    said = message.message
    kind = Kind.FRAMES
    match said:
        case Voices():
            slots = "  ".join(_slot(s) for s in said.slots if s is not None)
            text = f"voices {said.number} output {said.output + 1}: {slots or 'silent'}"
        case Status():
            kind = Kind.STATUS
            text = _status(said)
        case _:
            text = f"{type(said).__name__} {_fields(said)}".rstrip()
    yield message.at_s, kind, f"{arrow} {message.controller}: {text}"


def _slot(slot: Slot) -> str:
    rate_hz = TICK_HZ * PERIOD_UNITS_PER_TICK / slot.period if slot.period else 0.0
    bangs = f" × {slot.bangs}" if slot.bangs else ""
    return f"{rate_hz:.1f} Hz {slot.on_ticks / TICK_HZ * 1e6:.1f} µs{bangs}"


def _status(status: Status) -> str:
    state = _named(BoardState, status.state)
    cause = f", {_named(BoardCause, status.cause)}" if status.cause else ""
    pulses = ", ".join(str(o.pulses) for o in status.per_output)
    refused = sum(o.guard_refusals for o in status.per_output)
    return (
        f"{state}{cause}; pulses {pulses}; guard refused {refused}; bad frames "
        f"{status.bad_frames}, line errors {status.line_errors} "
        f"({status.line_errors_in_bangs} in bangs), late {status.late_frames}"
    )


def _named(numbers: Any, value: int) -> str:
    try:
        return str(numbers(value).name).lower().replace("_", " ")
    except ValueError:
        return str(value)


def _fields(message: Any) -> str:
    return " ".join(f"{f.name}={getattr(message, f.name)}" for f in fields(message))


def _numbers(numbers: tuple[float, ...]) -> str:
    return " ".join(f"{n:g}" for n in numbers)
