from __future__ import annotations

import pretty_midi
import pytest

from bridge.music.tuning import cents_between, hz_to_note, note_to_hz
from tests.music.rig import Rig, make_config

# MIDI 1.0 note numbers in twelve-tone equal temperament; A4 = 440 Hz from ISO 16:1975.
HANDBOOK_HZ = {
    21: 27.500,
    36: 65.4064,
    60: 261.6256,
    69: 440.0,
    84: 1046.5023,
    96: 2093.0045,
    108: 4186.0090,
}


@pytest.mark.parametrize(("note", "frequency_hz"), HANDBOOK_HZ.items())
def test_handbook_frequencies(note: int, frequency_hz: float) -> None:
    assert note_to_hz(note) == pytest.approx(frequency_hz, abs=5e-5)


def test_every_note_agrees_with_pretty_midi() -> None:
    for note in range(128):
        expected_hz = float(pretty_midi.note_number_to_hz(note))
        assert abs(cents_between(expected_hz, note_to_hz(note))) < 1e-6
        assert hz_to_note(expected_hz) == pytest.approx(
            float(pretty_midi.hz_to_note_number(expected_hz)), abs=1e-9
        )


def test_a4_is_adjustable() -> None:
    assert note_to_hz(69, 442.0) == 442.0
    assert note_to_hz(81, 442.0) == pytest.approx(884.0)


def test_the_instrument_plays_every_note_in_range_at_pretty_midis_frequency() -> None:
    rig = Rig()
    for key in range(16, 96):
        rig.on(key)
        expected_hz = float(pretty_midi.note_number_to_hz(key))
        assert abs(cents_between(expected_hz, rig.one().break_rate_hz)) < 1e-6
        rig.cc(120, 0)


def test_the_instrument_plays_at_the_sites_a4() -> None:
    rig = Rig(make_config(music={"a4_hz": 443.0}))
    rig.on(69)
    assert rig.one().break_rate_hz == pytest.approx(443.0)
