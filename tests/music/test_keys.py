"""Keys, pedals and modes. Source of the expectations: MIDI 1.0, unless said otherwise."""

from __future__ import annotations

import pytest

from bridge.music.events import NoteFaded
from bridge.music.tuning import note_to_hz
from bridge.music.voices import Hold
from tests.music.rig import Rig, make_config


@pytest.fixture
def rig() -> Rig:
    return Rig()


def holds(rig: Rig) -> dict[int, Hold]:
    return {ask.note: ask.hold for ask in rig.asks()}


def test_a_key_sounds_while_it_is_down(rig: Rig) -> None:
    rig.on(60)
    assert rig.one().hold is Hold.HELD
    rig.wait(5.0)
    assert rig.one().note == 60
    rig.off(60)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_velocity_0_is_a_note_off(rig: Rig) -> None:
    rig.on(60)
    rig.on(60, 0)
    assert rig.one().hold is Hold.RELEASED
    rig.wait(0.5)
    assert rig.asks() == ()


def test_a_note_off_for_another_key_or_channel_changes_nothing(rig: Rig) -> None:
    rig.on(60)
    rig.off(61)
    rig.off(60, channel=2)
    rig.off(60, source="Keyboard")
    assert rig.one().hold is Hold.HELD


def test_two_inputs_on_one_channel_share_nothing(rig: Rig) -> None:
    rig.cc(64, 127, source="Keyboard")
    rig.cc(7, 0, source="Keyboard")
    rig.bend(0, source="Keyboard")
    rig.on(60)
    assert rig.one().break_rate_hz == note_to_hz(60)
    rig.off(60)
    assert rig.one().hold is Hold.RELEASED


def test_a_duplicate_note_on_strikes_the_one_voice_anew(rig: Rig) -> None:
    rig.on(60, 60)
    first = rig.one()
    rig.t = 0.2
    rig.on(60, 120)
    second = rig.one()
    assert second.voice_id != first.voice_id
    assert second.energy > first.energy
    assert second.started_s == 0.2
    rig.off(60)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_a_key_struck_again_while_it_fades_is_one_voice(rig: Rig) -> None:
    rig.on(60)
    rig.off(60)
    rig.t = 0.02
    rig.on(60)
    assert rig.one().hold is Hold.HELD
    rig.wait(1.0)
    assert rig.one().hold is Hold.HELD


def test_released_notes_fade_and_then_are_gone(rig: Rig) -> None:
    rig.on(60)
    full = rig.one().energy
    rig.off(60)
    assert rig.instrument.moving()
    rig.t = 0.02  # half of an organ's release
    assert 0 < rig.one().energy < full
    rig.t = 0.041
    assert rig.asks() == ()
    assert not rig.instrument.moving()
    assert rig.instrument.next_deadline_s() is None


@pytest.mark.parametrize(("value", "down"), [(0, False), (63, False), (64, True), (127, True)])
def test_the_sustain_pedal_is_down_from_64(rig: Rig, value: int, down: bool) -> None:
    rig.cc(64, value)
    rig.on(60)
    rig.off(60)
    assert rig.one().hold is (Hold.PEDALLED if down else Hold.RELEASED)


def test_notes_off_under_the_pedal_wait_for_it(rig: Rig) -> None:
    rig.on(60)
    rig.cc(64, 127)
    rig.on(64)
    rig.off(60)
    rig.off(64)
    rig.wait(2.0)
    assert holds(rig) == {60: Hold.PEDALLED, 64: Hold.PEDALLED}
    rig.on(67)
    rig.cc(64, 0)
    assert holds(rig) == {60: Hold.RELEASED, 64: Hold.RELEASED, 67: Hold.HELD}


def test_the_pedal_does_not_catch_what_is_already_fading(rig: Rig) -> None:
    rig.on(60)
    rig.off(60)
    rig.cc(64, 127)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_a_pedalled_key_struck_again_is_one_voice_that_its_note_off_ends(rig: Rig) -> None:
    rig.cc(64, 127)
    rig.on(60)
    rig.off(60)
    rig.on(60)
    assert rig.one().hold is Hold.HELD
    rig.cc(64, 0)
    assert rig.one().hold is Hold.HELD
    rig.off(60)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_sostenuto_holds_only_the_keys_down_when_it_is_pressed(rig: Rig) -> None:
    rig.on(60)
    rig.cc(66, 127)
    rig.on(64)
    rig.cc(66, 127)  # again, as a continuous pedal sends it: takes in nothing new
    rig.off(60)
    rig.off(64)
    assert holds(rig) == {60: Hold.PEDALLED, 64: Hold.RELEASED}
    rig.cc(66, 0)
    assert holds(rig)[60] is Hold.RELEASED


def test_sostenuto_does_not_latch_what_only_the_sustain_pedal_holds(rig: Rig) -> None:
    rig.cc(64, 127)
    rig.on(60)
    rig.off(60)
    rig.cc(66, 127)
    rig.cc(64, 0)
    assert rig.one().hold is Hold.RELEASED


def test_each_pedal_holds_on_when_the_other_lets_go(rig: Rig) -> None:
    rig.on(60)
    rig.cc(66, 127)
    rig.cc(64, 127)
    rig.off(60)
    rig.cc(66, 0)
    assert rig.one().hold is Hold.PEDALLED
    rig.cc(66, 127)
    rig.cc(64, 0)
    assert rig.one().hold is Hold.RELEASED


def test_all_sound_off_is_silence_at_once_pedals_notwithstanding(rig: Rig) -> None:
    rig.cc(64, 127)
    rig.on(60)
    rig.on(64)
    rig.off(64)
    rig.on(67, channel=2)
    rig.cc(120, 0)
    assert rig.notes() == [67]


@pytest.mark.parametrize("controller", [123, 124, 125, 126, 127])
def test_all_notes_off_and_every_mode_message_let_the_keys_go(rig: Rig, controller: int) -> None:
    rig.on(60)
    rig.on(64)
    rig.cc(controller, 0)
    assert set(holds(rig).values()) == {Hold.RELEASED}
    rig.wait(0.5)
    assert rig.asks() == ()


@pytest.mark.parametrize("controller", [123, 124, 125, 126, 127])
def test_the_pedal_holds_against_all_notes_off(rig: Rig, controller: int) -> None:
    rig.cc(64, 127)
    rig.on(60)
    rig.cc(controller, 0)
    assert rig.one().hold is Hold.PEDALLED
    rig.cc(64, 0)
    rig.wait(0.5)
    assert rig.asks() == ()


# Mono mode (CC 126)


def test_mono_slurs_to_the_last_key_and_back_with_one_voice(rig: Rig) -> None:
    rig.cc(126, 1)
    rig.on(60)
    voice = rig.one().voice_id
    rig.on(64)
    assert (rig.one().note, rig.one().voice_id) == (64, voice)
    assert rig.one().break_rate_hz == note_to_hz(64)
    rig.on(67)
    rig.off(64)  # not the one that sounds
    assert (rig.one().note, rig.one().voice_id) == (67, voice)
    rig.off(67)
    assert (rig.one().note, rig.one().voice_id) == (60, voice)
    assert rig.one().hold is Hold.HELD
    rig.off(60)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_mono_detached_keys_are_new_voices(rig: Rig) -> None:
    rig.cc(126, 1)
    rig.on(60)
    voice = rig.one().voice_id
    rig.off(60)
    rig.on(64)  # while 60 still fades
    assert rig.one().note == 64
    assert rig.one().voice_id != voice


def test_mono_ends_what_the_pedal_held_from_before(rig: Rig) -> None:
    rig.cc(64, 127)
    rig.on(60)
    rig.on(64)
    rig.cc(126, 1)
    assert rig.notes() == [60, 64]
    rig.on(67)
    assert rig.notes() == [67]


def test_poly_mode_ends_mono_mode(rig: Rig) -> None:
    rig.cc(126, 1)
    rig.cc(127, 0)
    rig.on(60)
    rig.on(64)
    assert rig.notes() == [60, 64]


def test_mono_is_one_channels_affair(rig: Rig) -> None:
    rig.cc(126, 1)
    rig.on(60, channel=2)
    rig.on(64, channel=2)
    assert rig.notes() == [60, 64]


# max_note_s


def test_a_forgotten_note_fades_over_300_ms_and_is_reported() -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.on(60)
    assert rig.instrument.next_deadline_s() == 10.0
    assert not rig.instrument.moving()
    rig.t = 9.999
    full = rig.one().energy
    rig.t = 10.0
    rig.instrument.tick(rig.t)
    assert rig.instrument.moving()
    assert rig.events(NoteFaded) == [NoteFaded(10.0, "DAW", 1, 60, 10.0)]
    rig.t = 10.15
    assert rig.one().energy == pytest.approx(full / 2)
    rig.t = 10.3
    assert rig.asks() == ()
    assert not rig.instrument.notes_held()
    rig.cc(11, 100)  # nothing but a strike brings it back
    rig.wait(1.0)
    assert rig.asks() == ()
    rig.on(60)
    assert rig.one().note == 60


def test_a_pedalled_note_fades_too() -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.cc(64, 127)
    rig.on(60)
    rig.off(60)
    rig.wait(10.31)
    assert rig.asks() == ()


@pytest.mark.parametrize(
    "message",
    [(0xE0, 1, 64), (0xB0, 11, 100), (0xD0, 5), (0xA0, 60, 5), (0xB0, 64, 0), (0x90, 60, 80)],
)
def test_an_event_that_concerns_the_note_starts_its_time_anew(message: tuple[int, ...]) -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.on(60)
    rig.wait(9.0)
    rig.send(*message)
    rig.wait(9.9)
    assert rig.one().note == 60
    assert rig.events(NoteFaded) == []
    rig.wait(0.5)
    assert rig.asks() == ()


@pytest.mark.parametrize("message", [(0xE1, 1, 64), (0x90, 64, 80), (0xA0, 64, 5), (0xF8,)])
def test_events_that_do_not_concern_the_note_do_not(message: tuple[int, ...]) -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.on(60)
    rig.wait(9.0)
    rig.send(*message)
    rig.wait(1.31)
    assert 60 not in rig.notes()


def test_an_event_during_the_fade_does_not_save_the_note() -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.on(60)
    rig.wait(10.1)
    rig.bend(9000)
    rig.wait(0.21)
    assert rig.asks() == ()
