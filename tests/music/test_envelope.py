"""Envelopes by General MIDI family, and how they arrive where they are going."""

from __future__ import annotations

import itertools

import pretty_midi
import pytest

from bridge.music.envelope import ATTACK_FLOOR, FAMILIES, SILENT_LEVEL, Envelope, envelope_for
from tests.music.rig import Rig

# The program classes of General MIDI Level 1, as pretty_midi lists them, and ours.
CLASSES = {
    "Piano": "piano",
    "Chromatic Percussion": "chromatic percussion",
    "Organ": "organ",
    "Guitar": "guitar",
    "Bass": "bass",
    "Strings": "strings",
    "Ensemble": "ensemble",
    "Brass": "brass",
    "Reed": "reed",
    "Pipe": "pipe",
    "Synth Lead": "synth lead",
    "Synth Pad": "synth pad",
    "Synth Effects": "synth effects",
    "Ethnic": "ethnic",
    "Percussive": "percussive",
    "Sound Effects": "sound effects",
}


def test_every_program_has_the_envelope_of_its_general_midi_family() -> None:
    by_name = dict(FAMILIES)
    assert len(FAMILIES) == 16
    for program in range(128):
        family = pretty_midi.program_to_instrument_class(program)
        assert envelope_for(program) is by_name[CLASSES[family]], program


@pytest.mark.parametrize("name", [name for name, _ in FAMILIES])
def test_every_release_is_short_and_every_level_lawful(name: str) -> None:
    envelope = dict(FAMILIES)[name]
    assert 0.04 <= envelope.release_s <= 0.12
    for step in range(4000):
        age_s = step * 0.005
        if age_s < envelope.ends_after_s:
            assert SILENT_LEVEL * 0.99 <= envelope.level(age_s) <= 1.0
        if age_s >= envelope.settled_after_s:
            assert envelope.level(age_s) == envelope.sustain


def test_attack_decay_sustain_in_turn() -> None:
    envelope = Envelope(0.1, 1.0, 0.4, 0.05)
    assert envelope.level(0.0) == ATTACK_FLOOR
    assert envelope.level(0.05) == pytest.approx((1 + ATTACK_FLOOR) / 2)
    assert envelope.level(0.1) == pytest.approx(1.0)
    assert envelope.level(0.6) == pytest.approx(0.4 + 0.6 / 4)
    assert envelope.level(1.1) == pytest.approx(0.4)
    assert envelope.release_level(0.0) == 1.0
    assert envelope.release_level(0.05) == 0.0


def test_a_piano_decays_to_silence_while_the_key_is_down() -> None:
    rig = Rig(program=0)
    rig.on(60)
    energies: list[float] = []
    while rig.asks():
        energies.append(rig.one().energy)
        rig.wait(0.25)
    assert 4 < rig.t < 12
    assert all(a > b for a, b in itertools.pairwise(energies))
    assert energies[-1] > energies[0] * SILENT_LEVEL * 0.9  # no faint tail
    assert not rig.instrument.notes_held()
    assert not rig.instrument.moving()
    rig.off(60)
    assert rig.asks() == ()


def test_an_organ_stays() -> None:
    rig = Rig(program=16)
    rig.on(60)
    first = rig.one()
    assert not rig.instrument.moving()
    rig.wait(20.0)
    assert rig.one() == first


def test_strings_grow() -> None:
    rig = Rig(program=48)
    rig.on(60)
    start = rig.one().energy
    rig.wait(0.05)
    middle = rig.one().energy
    rig.wait(0.1)
    full = rig.one().energy
    assert 0 < start < middle < full
    assert not rig.instrument.moving()


def test_a_release_in_the_attack_falls_from_where_it_was() -> None:
    rig = Rig(program=40)
    rig.on(60)
    rig.wait(0.03)
    rising = rig.one().energy
    rig.off(60)
    assert rig.one().energy == pytest.approx(rising)
    rig.wait(0.03)
    assert rig.one().energy < rising


def test_a_program_change_is_for_notes_to_come() -> None:
    rig = Rig(program=16)
    rig.on(60)
    rig.program(0)
    rig.wait(1.0)
    assert not rig.instrument.moving()
    rig.on(64)
    assert rig.instrument.moving()


def test_a_slow_drift_hands_on_the_very_same_ask_until_it_is_worth_telling() -> None:
    rig = Rig(program=0)
    rig.on(60)
    rig.wait(1.0)
    before = rig.one()
    rig.t += 0.009
    assert rig.one() is before
    rig.wait(0.5)
    assert rig.one().energy < before.energy
