"""Percussion: bursts that count their bangs and end by themselves."""

from __future__ import annotations

import pretty_midi
import pytest

from bridge.music.events import Dropped, NoteDropped
from bridge.music.percussion import DRUMS
from tests.music.rig import Rig, make_config


def drum(rig: Rig, key: int, velocity: int = 100) -> None:
    rig.on(key, velocity, channel=10)


def test_the_keys_are_general_midis() -> None:
    named = {key for key in range(128) if pretty_midi.note_number_to_drum_name(key)}
    assert set(DRUMS) == {key for key in named if 35 <= key <= 81}


# General MIDI Level 1 percussion map, as pretty_midi spells it.
@pytest.mark.parametrize(
    ("spelled", "ours"),
    [
        ("Bass Drum 1", "kick"),
        ("Acoustic Snare", "snare"),
        ("Closed Hi Hat", "closed hat"),
        ("Open Hi Hat", "open hat"),
        ("Crash Cymbal 1", "crash"),
        ("Ride Cymbal 1", "ride"),
        ("Low Floor Tom", "tom 1"),
        ("High Tom", "tom 6"),
        ("Cowbell", "cowbell"),
    ],
)
def test_each_sound_sits_on_its_general_midi_key(spelled: str, ours: str) -> None:
    assert DRUMS[pretty_midi.drum_name_to_note_number(spelled)].name == ours


@pytest.mark.parametrize("key", sorted(DRUMS))
def test_every_drum_is_a_lawful_burst_that_ends_by_itself(rig: Rig, key: int) -> None:
    drum(rig, key)
    while rig.asks():
        ask = rig.one()
        assert 1 <= ask.bang_count <= 255
        assert 0 <= ask.spread <= 0.5
        assert 0 < ask.break_rate_hz <= 2000
        assert 0 < ask.energy <= 1
        assert ask.phase == 0
        assert ask.channel == 10
        rig.wait(0.005)
        assert rig.t < 1.0
    assert not rig.instrument.moving()
    assert rig.instrument.next_deadline_s() is None


@pytest.mark.parametrize("key", sorted(DRUMS))
def test_the_count_is_what_the_rate_gives_over_the_burst(key: int) -> None:
    sound = DRUMS[key]
    steps = 1000
    bangs = sum(
        sound.rate_hz((n + 0.5) * sound.length_s / steps) * sound.length_s / steps
        for n in range(steps)
    )
    assert sound.bang_count == pytest.approx(bangs, abs=1.001)


def test_kick_snare_and_hats_differ() -> None:
    kick, snare, closed, opened = (DRUMS[k] for k in (36, 38, 42, 46))
    assert kick.last_hz < kick.first_hz / 2
    assert kick.spread == 0
    assert snare.spread > 0.3
    assert snare.first_hz > kick.first_hz
    assert closed.first_hz > snare.first_hz
    assert opened.length_s > 4 * closed.length_s
    toms = [DRUMS[k].first_hz for k in (41, 43, 45, 47, 48, 50)]
    assert toms == sorted(toms)


def test_a_kick_glides_down_under_one_identity(rig: Rig) -> None:
    drum(rig, 36)
    assert rig.instrument.moving()
    start = rig.one()
    rig.wait(0.06)
    later = rig.one()
    assert later.break_rate_hz == pytest.approx((150 + 45) / 2)
    assert (later.voice_id, later.bang_count) == (start.voice_id, start.bang_count)


def test_a_burst_without_glide_needs_no_ticks_but_a_deadline(rig: Rig) -> None:
    rig.t = 2.0
    drum(rig, 42)
    assert not rig.instrument.moving()
    assert rig.instrument.next_deadline_s() == pytest.approx(2.0 + DRUMS[42].length_s)


def test_a_note_off_does_nothing(rig: Rig) -> None:
    drum(rig, 38)
    before = rig.one()
    rig.off(38, channel=10)
    assert rig.one() == before


def test_a_drum_is_no_held_note(rig: Rig) -> None:
    drum(rig, 49)
    assert not rig.instrument.notes_held()


def test_the_same_drum_again_is_a_new_burst_in_its_place(rig: Rig) -> None:
    drum(rig, 38)
    first = rig.one().voice_id
    rig.t = 0.05
    drum(rig, 38)
    assert rig.one().voice_id != first
    assert rig.one().started_s == 0.05


def test_a_closed_hat_ends_the_open_one(rig: Rig) -> None:
    drum(rig, 46)
    drum(rig, 38)
    opened = {a.voice_id for a in rig.asks() if a.spread == 0.5}
    drum(rig, 42)
    assert len(rig.asks()) == 2
    assert opened.isdisjoint(a.voice_id for a in rig.asks())


def test_pedals_bend_and_vibrato_do_not_touch_drums(rig: Rig) -> None:
    rig.cc(64, 127, channel=10)
    rig.cc(1, 127, channel=10)
    rig.bend(0, channel=10)
    drum(rig, 42)
    assert rig.one().break_rate_hz == DRUMS[42].first_hz
    rig.wait(0.1)
    assert rig.asks() == ()


def test_volume_zero_silences_a_burst_for_good(rig: Rig) -> None:
    drum(rig, 49)
    rig.cc(7, 0, channel=10)
    assert rig.asks() == ()
    rig.cc(7, 127, channel=10)
    assert rig.asks() == ()


def test_all_sound_off_ends_a_burst(rig: Rig) -> None:
    drum(rig, 49)
    rig.cc(120, 0, channel=10)
    assert rig.asks() == ()


def test_louder_strikes_have_more_energy(rig: Rig) -> None:
    drum(rig, 38, 60)
    soft = rig.one().energy
    drum(rig, 38, 120)
    assert rig.one().energy > soft


def test_a_key_without_a_drum_is_reported(rig: Rig) -> None:
    drum(rig, 20)
    assert rig.asks() == ()
    (event,) = rig.events(NoteDropped)
    assert event.reason is Dropped.NO_DRUM


def test_without_a_percussion_channel_channel_10_is_melodic() -> None:
    rig = Rig(make_config(music={"percussion_channel": 0}))
    drum(rig, 36)
    assert rig.one().bang_count == 0


def test_drums_do_not_join_a_melodic_train_of_the_same_rate(rig: Rig) -> None:
    rig.on(36)
    drum(rig, 42)
    drum(rig, 46)
    rig.wait(0.0)
    assert len(rig.asks()) == 2  # the open hat choked the closed one
