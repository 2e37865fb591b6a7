"""The instrument as a whole: loss, hush, sensing, resets, deadlines, events, bad bytes."""

from __future__ import annotations

import pytest

from bridge.music.events import MAX_WAITING_EVENTS, BadMessage, MusicEvent
from bridge.music.instrument import Instrument
from bridge.music.tuning import note_to_hz
from bridge.music.voices import Hold
from tests.music.rig import Rig, make_config


def test_an_idle_instrument_wants_nothing(rig: Rig) -> None:
    assert rig.asks() == ()
    assert not rig.instrument.moving()
    assert not rig.instrument.notes_held()
    assert rig.instrument.next_deadline_s() is None
    assert rig.instrument.take_events() == []


def test_nothing_changes_between_events_while_nothing_moves(rig: Rig) -> None:
    rig.on(60)
    rig.on(64)
    before = rig.asks()
    rig.wait(3.0)
    assert all(a is b for a, b in zip(rig.asks(), before, strict=True))


def test_an_input_lost_releases_its_notes_and_no_one_elses(rig: Rig) -> None:
    rig.on(60, source="Keyboard")
    rig.cc(64, 127, source="Keyboard")
    rig.on(62, source="Keyboard")
    rig.off(62, source="Keyboard")
    rig.on(67)
    rig.instrument.input_lost(rig.t, "Keyboard")
    assert {a.note: a.hold for a in rig.asks()} == {
        60: Hold.RELEASED,
        62: Hold.RELEASED,
        67: Hold.HELD,
    }
    rig.wait(0.5)
    assert rig.notes() == [67]
    rig.on(60, source="Keyboard")  # it came back: the pedal is not believed to be down
    rig.off(60, source="Keyboard")
    rig.wait(0.5)
    assert rig.notes() == [67]


def test_the_tail_of_a_lost_input_keeps_its_pitch_and_grows_no_louder(rig: Rig) -> None:
    rig.on(60)
    rig.bend(0)
    rig.cc(11, 40)
    rig.send(0xD0, 20)
    before = rig.one()
    rig.instrument.input_lost(rig.t, "DAW")
    assert rig.one().break_rate_hz == before.break_rate_hz
    assert rig.one().energy == pytest.approx(before.energy)
    rig.wait(0.5)
    rig.on(60)
    assert rig.one().break_rate_hz == note_to_hz(60)
    assert rig.one().energy > before.energy


def test_the_loss_of_an_unknown_input_is_nothing(rig: Rig) -> None:
    rig.on(60)
    rig.instrument.input_lost(rig.t, "Nobody")
    assert rig.one().hold is Hold.HELD


def test_an_input_the_configuration_does_not_name_plays_by_default_rules(rig: Rig) -> None:
    rig.on(60, source="Panel")
    rig.wait(30.31)
    assert rig.asks() == ()


def test_hush_is_silence_now_pedals_and_drums_included(rig: Rig) -> None:
    rig.program(0, 2)
    rig.cc(64, 127)
    rig.cc(66, 127)
    rig.on(60)
    rig.on(64, channel=2)
    rig.on(49, channel=10)
    rig.off(60)
    rig.off(64, channel=2)
    rig.instrument.hush(rig.t)
    assert rig.asks() == ()
    assert not rig.instrument.moving()
    assert not rig.instrument.notes_held()
    assert rig.instrument.next_deadline_s() is None
    rig.off(60)
    rig.wait(1.0)
    assert rig.asks() == ()
    rig.on(60)
    rig.off(60)
    assert rig.one().hold is Hold.RELEASED  # the pedal is up
    assert rig.one().note == 60


def test_hush_forgets_the_keys_under_a_mono_voice(rig: Rig) -> None:
    rig.cc(126, 1)
    rig.on(60)
    rig.on(64)
    rig.instrument.hush(rig.t)
    rig.off(64)
    assert rig.asks() == ()
    rig.on(67)
    rig.off(67)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_notes_are_held_by_keys_and_pedals_but_not_by_tails(rig: Rig) -> None:
    rig.on(60)
    assert rig.instrument.notes_held()
    rig.cc(64, 127)
    rig.off(60)
    assert rig.instrument.notes_held()
    rig.cc(64, 0)
    assert rig.asks() != ()
    assert not rig.instrument.notes_held()


def test_events_are_bounded_and_what_is_lost_is_counted(rig: Rig) -> None:
    for _ in range(MAX_WAITING_EVENTS + 7):
        rig.send(0xF4)
    assert len(rig.instrument.take_events()) == MAX_WAITING_EVENTS
    assert rig.instrument.lost_events == 7
    assert rig.instrument.take_events() == []


def test_every_event_is_a_sentence_for_the_operator() -> None:
    config = make_config(
        max_voices=1,
        max_note_s=1,
        notes={"lowest": 48, "highest": 72, "outside": "error"},
    )
    rig = Rig(config)
    rig.send(0xFE)
    rig.on(60)
    rig.on(64)
    rig.on(80)
    rig.t = 0.1
    rig.on(62)
    rig.send(0xF4)
    rig.wait(2.0)
    rig.on(60)
    rig.wait(2.0)
    events = rig.instrument.take_events()
    assert len({type(e) for e in events}) == 5
    assert all("DAW" in str(e) for e in events)
    kinds: set[type[MusicEvent]] = {type(e) for e in events}
    assert BadMessage in kinds


def test_two_instruments_share_nothing() -> None:
    config = make_config()
    first, second = Instrument(config), Instrument(config)
    first.midi(0.0, "DAW", b"\x90\x3c\x40")
    assert second.voices(0.0) == {"Larkspur": ()}
