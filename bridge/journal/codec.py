"""Events ↔ bytes. Pure.

One event: code (1 byte), time (8 bytes, IEEE 754 double: a replay needs its last bit), length of
the rest (4 bytes), the rest. Little-endian. What comes thousands of times a second is packed, what
is rare is JSON. An unknown code can be stepped over. Text is UTF-8 behind a 2-byte length.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any, cast

from bridge import entries
from bridge.clocks import HostS
from bridge.engine import Act
from bridge.interlock import Cause
from bridge.journal.values import ClockFix, Event, Missing, Noted, Sounding, Told, Wrote
from bridge.link.outbox import Outgoing
from bridge.record_line import record_line
from bridge.records import HeldBackChanged, Record
from bridge.stops.condition import Condition


class Code:
    """What an event's first byte says. Never given to anything else, in whatever version."""

    MIDI = 1
    RECEIVED = 2
    ADVANCE = 3
    COLLECT = 4
    RARE_ENTRY = 5
    TOLD = 16
    WROTE = 17
    SOUNDING = 18
    CLOCK_FIX = 19
    MISSING = 20
    NOTED = 21


DISCARD, BREAK = 1, 2
"""Flags of a write."""

_HEAD = struct.Struct("<BdI")
_TIME = struct.Struct("<d")
_SHORT = struct.Struct("<H")
_COUNT = struct.Struct("<I")
_VOICE = struct.Struct("<Bdd")
_LEVELS = struct.Struct("<dd")
_FIX = struct.Struct("<Idd")
_MISSED = struct.Struct("<Id")
_ADVANCE = struct.Struct("<BdI")
_names: dict[str, bytes] = {}


class DamagedError(Exception):
    """Bytes that are no events."""


def _name(name: str) -> bytes:
    """A name with its length; there are few, so they are kept."""
    packed = _names.get(name)
    if packed is None:
        text = name.encode()[:65535]
        packed = _SHORT.pack(len(text)) + text
        if len(_names) < 1000:
            _names[name] = packed
    return packed


# -- entries ----------------------------------------------------------------------------------


def _midi(entry: entries.Midi) -> bytes:
    body = _TIME.pack(entry.arrived_s) + _name(entry.input_name) + entry.message
    return _HEAD.pack(Code.MIDI, entry.at_s, len(body)) + body


def _received(entry: entries.Received) -> bytes:
    body = _name(entry.controller) + entry.data
    return _HEAD.pack(Code.RECEIVED, entry.at_s, len(body)) + body


def _advance(entry: entries.Advance) -> bytes:
    return _ADVANCE.pack(Code.ADVANCE, entry.at_s, 0)


def _collect(entry: entries.Collect) -> bytes:
    body = _COUNT.pack(entry.reported_unsent) + _name(entry.controller)
    return _HEAD.pack(Code.COLLECT, entry.at_s, len(body)) + body


_OFTEN: dict[type, Callable[[Any], bytes]] = {
    entries.Midi: _midi,
    entries.Received: _received,
    entries.Advance: _advance,
    entries.Collect: _collect,
}
_RARE: dict[str, Any] = {
    kind.__name__: kind
    for kind in (
        entries.SourceTold,
        entries.SourceHeard,
        entries.InputChange,
        entries.LinkUp,
        entries.LinkDown,
        entries.BreakDone,
        entries.Acted,
        entries.Stopped,
        entries.StopInput,
        entries.Hold,
        entries.Proven,
        entries.Objection,
    )
}


def pack_entry(entry: entries.Entry) -> bytes:
    """On the hot path."""
    pack = _OFTEN.get(type(entry))
    if pack is not None:
        return pack(entry)
    return _json(Code.RARE_ENTRY, entry.at_s, {"kind": type(entry).__name__, **entry._asdict()})


# -- the rest ---------------------------------------------------------------------------------


def pack_write(at_s: HostS, controller: str, out: Outgoing) -> bytes:
    flags = (DISCARD if out.discard else 0) | (BREAK if out.line_break else 0)
    body = _name(controller) + bytes((flags,)) + out.data
    return _HEAD.pack(Code.WROTE, at_s, len(body)) + body


def pack_sounding(sounding: Sounding) -> bytes:
    voices = b"".join([_VOICE.pack(note & 0xFF, rate, on) for note, rate, on in sounding.voices])
    levels = _LEVELS.pack(sounding.scale, sounding.mains_a)
    body = _name(sounding.coil) + levels + voices
    return _HEAD.pack(Code.SOUNDING, sounding.at_s, len(body)) + body


def pack_fix(fix: ClockFix) -> bytes:
    body = _FIX.pack(fix.tick, fix.rate_hz, fix.standard_error_ppm) + _name(fix.controller)
    return _HEAD.pack(Code.CLOCK_FIX, fix.at_s, len(body)) + body


def pack_missing(missing: Missing) -> bytes:
    body = _MISSED.pack(min(missing.lost, 0xFFFF_FFFF), missing.since_s)
    return _HEAD.pack(Code.MISSING, missing.at_s, len(body)) + body


def pack_note(note: Noted) -> bytes:
    return _json(Code.NOTED, note.at_s, {"source": note.source, "text": note.text})


def pack_record(at_s: HostS, record: Record) -> bytes:
    """Slower than the others: not for the hot path."""
    return _json(Code.TOLD, at_s, told(at_s, record)._asdict())


def told(at_s: HostS, record: Record) -> Told:
    """A record as a journal keeps it."""
    line = record_line(record)
    if isinstance(record, HeldBackChanged):
        held = "; ".join(h.sentence() for h in record.held_back)
        line = f"{record.coil}: {held or 'nothing is held back any more'}"
    return Told(at_s, type(record).__name__, _plain(record), line or "")


def _plain(value: Any) -> Any:
    """As JSON can hold it and give it back the same."""
    if isinstance(value, Enum):
        return value.name
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, tuple | list):
        return [_plain(v) for v in cast(tuple[Any, ...], value)]
    return value


def _json(code: int, at_s: HostS, value: dict[str, Any]) -> bytes:
    value = {k: _plain(v) for k, v in value.items() if k != "at_s"}
    body = json.dumps(value, separators=(",", ":")).encode()
    return _HEAD.pack(code, at_s, len(body)) + body


# -- back -------------------------------------------------------------------------------------


def unpack(data: bytes) -> Iterator[Event]:
    """The events, in order; what a later version wrote is stepped over. Raises DamagedError."""
    at = 0
    while at < len(data):
        try:
            code, at_s, length = _HEAD.unpack_from(data, at)
            at += _HEAD.size
            body = data[at : at + length]
            if len(body) != length:
                raise DamagedError(f"an event of {length} bytes has only {len(body)}")
            at += length
            event = _event(code, HostS(at_s), body)
        except (struct.error, ValueError, KeyError, TypeError, IndexError, RecursionError) as error:
            raise DamagedError(f"byte {at}: {error}") from error
        if event is not None:
            yield event


def _event(code: int, at_s: HostS, body: bytes) -> Event | None:
    match code:
        case Code.MIDI:
            (arrived_s,) = _TIME.unpack_from(body)
            name, rest = _read_name(body, _TIME.size)
            return entries.Midi(at_s, name, body[rest:], HostS(arrived_s))
        case Code.RECEIVED:
            name, rest = _read_name(body, 0)
            return entries.Received(at_s, name, body[rest:])
        case Code.ADVANCE:
            return entries.Advance(at_s)
        case Code.COLLECT:
            (unsent,) = _COUNT.unpack_from(body)
            return entries.Collect(at_s, _read_name(body, _COUNT.size)[0], unsent)
        case Code.RARE_ENTRY:
            return _rare_entry(at_s, json.loads(body))
        case Code.TOLD:
            return Told(at_s, **json.loads(body))
        case Code.WROTE:
            name, rest = _read_name(body, 0)
            flags = body[rest]
            return Wrote(at_s, name, bool(flags & DISCARD), body[rest + 1 :], bool(flags & BREAK))
        case Code.SOUNDING:
            name, rest = _read_name(body, 0)
            scale, mains_a = _LEVELS.unpack_from(body, rest)
            voices = tuple(_VOICE.iter_unpack(body[rest + _LEVELS.size :]))
            return Sounding(at_s, name, voices, scale, mains_a)
        case Code.CLOCK_FIX:
            tick, rate_hz, error_ppm = _FIX.unpack_from(body)
            return ClockFix(at_s, _read_name(body, _FIX.size)[0], tick, rate_hz, error_ppm)
        case Code.MISSING:
            lost, since_s = _MISSED.unpack(body)
            return Missing(at_s, lost, HostS(since_s))
        case Code.NOTED:
            return Noted(at_s, **json.loads(body))
        case _:
            return None


def _read_name(body: bytes, at: int) -> tuple[str, int]:
    """The name, and where the rest begins."""
    (length,) = _SHORT.unpack_from(body, at)
    begin = at + _SHORT.size
    return body[begin : begin + length].decode(), begin + length


def _rare_entry(at_s: HostS, value: dict[str, Any]) -> entries.Entry:
    kind = _RARE[value.pop("kind")]
    if kind is entries.Acted:
        value["act"] = Act[value["act"]]
    elif kind is entries.Stopped:
        value["cause"] = Cause[value["cause"]]
    elif kind is entries.StopInput:
        value["condition"] = Condition[value["condition"]]
    elif kind is entries.Proven:
        value["unproven"] = tuple(value["unproven"])
    elif kind in (entries.SourceTold, entries.SourceHeard):
        value["commands"] = tuple((name, tuple(n)) for name, n in value["commands"])
    return kind(at_s, **value)
