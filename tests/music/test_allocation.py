"""Voices of one coil: unison, splitting, and who yields."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.music.events import Dropped, NoteDropped, VoiceStolen
from bridge.music.tuning import cents_between, note_to_hz
from bridge.music.voices import Hold
from tests.music.rig import Rig, make_config


def ids(rig: Rig) -> dict[int, int]:
    return {a.note: a.voice_id for a in rig.asks()}


# Unison


def test_equal_pitches_are_one_train_with_energies_summed() -> None:
    rig = Rig()
    rig.on(60, 60, channel=1)
    single = rig.one()
    rig.on(60, 60, channel=2)
    assert rig.one().energy == pytest.approx(2 * single.energy)
    assert rig.one().voice_id == single.voice_id


def test_the_sum_is_capped_at_full_energy() -> None:
    rig = Rig()
    for channel in range(1, 10):
        rig.on(60, 127, channel=channel)
    assert rig.one().energy == 1.0


def test_the_train_lives_while_any_of_its_notes_does() -> None:
    rig = Rig()
    rig.on(60, channel=1)
    rig.on(60, channel=2)
    voice = rig.one().voice_id
    rig.off(60, channel=1)
    rig.wait(0.5)
    assert (rig.one().voice_id, rig.one().channel) == (voice, 2)
    assert rig.one().hold is Hold.HELD
    rig.off(60, channel=2)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_a_train_is_held_as_strongly_as_its_strongest_note() -> None:
    rig = Rig()
    rig.cc(64, 127, channel=1)
    rig.on(60, channel=1)
    rig.on(60, channel=2)
    rig.off(60, channel=1)
    assert rig.one().hold is Hold.HELD
    rig.off(60, channel=2)
    assert rig.one().hold is Hold.PEDALLED


def test_a_note_of_the_train_struck_again_renews_it() -> None:
    rig = Rig()
    rig.on(60, channel=1)
    rig.on(60, channel=2)
    voice = rig.one().voice_id
    rig.t = 0.5
    rig.on(60, channel=2)
    assert rig.one().voice_id != voice
    assert rig.one().started_s == 0.5


def test_folded_octaves_are_unisons() -> None:
    rig = Rig(make_config(notes={"lowest": 60, "highest": 71, "outside": "fold"}))
    rig.on(60)
    rig.on(72)
    assert rig.one().note == 60
    rig.off(60)
    rig.wait(0.5)
    assert rig.one().note == 60
    rig.off(72)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_pitches_that_part_become_two_trains_and_meet_again_as_one() -> None:
    rig = Rig()
    rig.on(60, channel=1)
    rig.on(60, channel=2)
    voice = rig.one().voice_id
    rig.bend(9000, channel=2)
    first, second = rig.asks()
    assert first.voice_id == voice
    assert second.voice_id != voice
    assert second.break_rate_hz > first.break_rate_hz
    rig.bend(8192, channel=2)
    assert rig.one().voice_id == voice


def test_a_hundredth_of_a_cent_is_unison_and_a_fortieth_is_not() -> None:
    rig = Rig()
    rig.rpn(0, 0, 41, channel=2)  # full bend 41 cents: a step of the bend is 0.005 cent
    rig.on(60, channel=1)
    rig.on(60, channel=2)
    rig.bend(8193, channel=2)
    assert len(rig.asks()) == 1
    rig.bend(8197, channel=2)
    first, second = rig.asks()
    assert cents_between(first.break_rate_hz, second.break_rate_hz) == pytest.approx(
        0.025, abs=0.001
    )


def test_different_vibratos_do_not_join_where_they_cross() -> None:
    rig = Rig()
    rig.cc(1, 127, channel=1)
    rig.cc(1, 64, channel=2)
    rig.on(60, channel=1)
    rig.on(60, channel=2)
    before = [a.voice_id for a in rig.asks()]
    rig.t = 2.0  # eleven whole swings: both at their centre
    rig.instrument.tick(rig.t)
    assert [a.voice_id for a in rig.asks()] == before
    rig.cc(1, 127, channel=2)
    assert len(rig.asks()) == 1


# Stealing


def full_coil(**weights: float) -> Rig:
    """Four voices, 100 ms apart: 48, 55, 60, 67."""
    rig = Rig(make_config(music={"stealing": weights}))
    for key in (48, 55, 60, 67):
        rig.on(key)
        rig.wait(0.1)
    return rig


def test_the_oldest_inner_voice_yields_by_default() -> None:
    rig = full_coil()
    rig.on(72)
    assert rig.notes() == [48, 60, 67, 72]
    (event,) = rig.events(VoiceStolen)
    assert (event.coil, event.note, event.for_note) == ("Larkspur", 55, 72)


def test_the_one_that_was_top_is_inner_to_a_higher_newcomer() -> None:
    rig = Rig(make_config(max_voices=2))
    rig.on(48)
    rig.wait(0.1)
    rig.on(67)
    rig.wait(0.1)
    rig.on(72)
    assert rig.notes() == [48, 72]


def test_a_released_voice_yields_first() -> None:
    rig = full_coil()
    rig.off(67)
    rig.on(72)
    assert rig.notes() == [48, 55, 60, 72]


def test_a_pedalled_voice_yields_before_a_held_one() -> None:
    rig = full_coil()
    rig.cc(64, 127)
    rig.off(48)
    rig.on(72)
    assert rig.notes() == [55, 60, 67, 72]


def test_a_quiet_voice_yields_before_a_loud_one() -> None:
    rig = Rig()
    for key, velocity in ((48, 127), (52, 127), (55, 20), (60, 127), (50, 127)):
        rig.on(key, velocity)
        rig.wait(0.1)
    assert rig.notes() == [48, 50, 52, 60]


def test_age_decides_when_it_weighs_enough() -> None:
    rig = full_coil(age_per_s=100.0)
    rig.on(72)
    assert rig.notes() == [55, 60, 67, 72]


def test_the_priority_channel_is_spared() -> None:
    music: dict[str, Any] = {"priority_channel": 2, "stealing": {"age_per_s": 1.0}}
    rig = Rig(make_config(max_voices=2, music=music))
    rig.on(60, 30, channel=2)
    rig.cc(64, 127, channel=2)
    rig.off(60, channel=2)
    rig.wait(1.0)
    rig.on(48, 127, channel=1)
    rig.wait(0.1)
    rig.on(72, 127, channel=1)
    assert rig.notes() == [60, 72]
    assert [a.priority for a in rig.asks()] == [True, False]


def test_a_stolen_note_does_not_come_back_and_its_note_off_is_harmless() -> None:
    rig = full_coil()
    rig.on(72)
    rig.off(72)
    rig.off(67)
    rig.wait(1.0)
    assert rig.notes() == [48, 60]
    rig.off(55)
    assert {a.hold for a in rig.asks()} == {Hold.HELD}


def test_a_chord_never_steals_its_own_notes() -> None:
    rig = Rig()
    for key in (60, 64, 67, 72, 76):
        rig.on(key)
        rig.t += 0.007
    assert rig.notes() == [60, 64, 67, 72]
    (event,) = rig.events(NoteDropped)
    assert (event.note, event.reason) == (76, Dropped.CHORD_FULL)
    rig.off(60)
    rig.wait(1.0)
    assert rig.notes() == [64, 67, 72]  # what did not sound does not start late


@pytest.mark.parametrize(("gap_s", "stolen"), [(0.030, False), (0.0301, True)])
def test_a_chord_lasts_30_ms(gap_s: float, stolen: bool) -> None:
    rig = Rig(make_config(max_voices=1))
    rig.on(60)
    rig.t = gap_s
    rig.on(64)
    assert rig.notes() == ([64] if stolen else [60])


def test_a_newcomer_to_a_unison_needs_no_place() -> None:
    rig = full_coil()
    rig.on(60, channel=2)
    assert rig.notes() == [48, 55, 60, 67]
    assert rig.events(VoiceStolen) == []


def test_a_split_on_a_full_coil_costs_a_voice_and_never_exceeds_the_limit() -> None:
    rig = full_coil()
    rig.on(60, channel=2)
    rig.wait(0.1)
    rig.bend(9000, channel=2)
    assert len(rig.asks()) == 4
    assert len(rig.events(VoiceStolen)) == 1


def test_silent_notes_take_no_place_and_compete_for_one_when_they_come_back() -> None:
    rig = full_coil()
    rig.cc(7, 0)
    assert rig.asks() == ()
    for key in (50, 57, 62):
        rig.on(key, channel=2)
    rig.wait(1.0)
    rig.cc(7, 127)
    sounding = rig.notes()
    assert len(sounding) == 4
    stolen = [e.note for e in rig.events(VoiceStolen)]
    assert sorted(sounding + stolen) == [48, 50, 55, 57, 60, 62, 67]
    rig.wait(1.0)
    assert rig.notes() == sounding  # what was stolen stays away


def test_stealing_is_deterministic() -> None:
    def story() -> list[dict[int, int]]:
        rig = Rig(make_config(max_voices=3))
        seen: list[dict[int, int]] = []
        for step in range(200):
            key = 40 + step * 7 % 41
            rig.on(key, 1 + step * 29 % 127, channel=1 + step % 3)
            if step % 3 == 0:
                rig.off(40 + (step - 6) * 7 % 41, channel=1 + (step - 6) % 3)
            rig.wait(0.04)
            seen.append(ids(rig))
        return seen

    assert story() == story()


def test_a_flood_of_unisons_stays_bounded() -> None:
    rig = Rig(make_config(notes={"lowest": 60, "highest": 71, "outside": "fold"}))
    rig.cc(7, 0)
    for channel in (1, 2, 3, 4):
        for key in range(0, 127, 12):
            rig.on(key, channel=channel)
            rig.on(key + 1, channel=channel, source="Keyboard")
    rig.cc(7, 127)
    assert len(rig.asks()) == 2
    assert {round(a.break_rate_hz, 6) for a in rig.asks()} == {
        round(note_to_hz(60), 6),
        round(note_to_hz(61), 6),
    }
    assert len(rig.events(VoiceStolen)) == 88 - 48
