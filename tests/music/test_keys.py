"""Keys, pedals and modes. Source of the expectations: MIDI 1.0, unless said otherwise."""

from __future__ import annotations

from bridge.music.tuning import note_to_hz
from bridge.music.voices import Hold
from tests.music.rig import Rig


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
