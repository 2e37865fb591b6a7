"""Everything that a journal holds comes back as it was, to the last bit."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge import entries
from bridge.clocks import HostS
from bridge.engine import Act
from bridge.governor.reasons import Effect, HeldBack, Limit
from bridge.interlock import Cause
from bridge.journal import codec
from bridge.journal.values import ClockFix, Event, Missing, Noted, Sounding, Told, Wrote
from bridge.link.outbox import Outgoing
from bridge.records import HeldBackChanged
from bridge.stops.condition import Condition

TIMES = st.floats(allow_nan=False, allow_infinity=False).map(HostS)
NAMES = st.text(max_size=40)
BYTES = st.binary(max_size=300)
COMMANDS = st.lists(st.tuples(NAMES, st.lists(TIMES, max_size=3).map(tuple)), max_size=3)
ENTRIES = st.one_of(
    st.builds(entries.Midi, TIMES, NAMES, BYTES, TIMES),
    st.builds(entries.Received, TIMES, NAMES, BYTES),
    st.builds(entries.Advance, TIMES),
    st.builds(entries.Collect, TIMES, NAMES, st.integers(0, 2**32 - 1)),
    st.builds(entries.SourceTold, TIMES, COMMANDS.map(tuple)),
    st.builds(entries.SourceHeard, TIMES, COMMANDS.map(tuple)),
    st.builds(entries.StopInput, TIMES, NAMES, st.sampled_from(Condition), NAMES),
    st.builds(entries.Hold, TIMES, st.booleans()),
    st.builds(entries.Proven, TIMES, st.lists(NAMES, max_size=3).map(tuple)),
    st.builds(entries.Objection, TIMES, NAMES, NAMES, NAMES),
    st.builds(entries.InputChange, TIMES, NAMES, st.booleans(), NAMES),
    st.builds(entries.LinkUp, TIMES, NAMES),
    st.builds(entries.LinkDown, TIMES, NAMES, NAMES),
    st.builds(entries.BreakDone, TIMES, NAMES),
    st.builds(entries.Acted, TIMES, st.sampled_from(Act), NAMES),
    st.builds(entries.Stopped, TIMES, st.sampled_from(Cause), NAMES, NAMES, NAMES),
)


@settings(max_examples=40)
@given(st.lists(ENTRIES, max_size=6))
def test_entries(given_entries: list[entries.Entry]) -> None:
    data = b"".join(codec.pack_entry(e) for e in given_entries)
    assert list(codec.unpack(data)) == given_entries


AT = HostS(27684.346190525)


def test_the_rest() -> None:
    sounding = Sounding(AT, "Larkspur", ((69, 440.0, 81.25), (12, 16.35, 40.0)), 0.7, 3.25)
    fix = ClockFix(AT, "Rack", 0xFFFF_FFFF, 2_000_123.4, 0.02)
    missing, noted = Missing(AT, 12, HostS(AT - 3)), Noted(AT, "prove-stop", "button A, 12 ms")
    out = Outgoing(True, b"\x00\x01", True)
    data = (
        codec.pack_sounding(sounding) + codec.pack_fix(fix) + codec.pack_missing(missing)
        + codec.pack_note(noted) + codec.pack_write(AT, "Rack", out)
    )  # fmt: skip
    wanted: list[Event] = [sounding, fix, missing, noted, Wrote(AT, "Rack", True, out.data, True)]
    assert list(codec.unpack(data)) == wanted
    unsure = ClockFix(AT, "Rack", 5, 2e6, math.inf)
    assert list(codec.unpack(codec.pack_fix(unsure))) == [unsure]


def test_a_record_keeps_its_numbers_and_what_the_operator_read() -> None:
    held = HeldBack(Limit.DUTY, Effect.SHORTENED, 1000, 7.5, 6.0, (3, 4))
    (told,) = codec.unpack(codec.pack_record(AT, HeldBackChanged("Foxglove", (held,))))
    assert isinstance(told, Told)
    assert told.kind == "HeldBackChanged"
    assert told.fields["held_back"][0] == {
        "limit": "DUTY", "effect": "SHORTENED", "window_ms": 1000, "asked": 7.5, "allowed": 6.0,
        "voice_ids": [3, 4],
    }  # fmt: skip
    assert told.line == f"Foxglove: {held.sentence()}"


def test_what_a_later_version_adds_is_stepped_over() -> None:
    advance = entries.Advance(AT)
    unknown = b"\xc8" + codec.pack_note(Noted(AT, "a", "b"))[1:]
    assert list(codec.unpack(unknown + codec.pack_entry(advance))) == [advance]


@given(st.binary(max_size=400))
def test_bytes_that_are_no_events_end_in_one_kind_of_error(data: bytes) -> None:
    try:
        list(codec.unpack(data))
    except codec.DamagedError:
        return


def test_an_event_cut_short_is_damage() -> None:
    with pytest.raises(codec.DamagedError):
        list(codec.unpack(codec.pack_entry(entries.LinkUp(AT, "Rack"))[:-1]))
