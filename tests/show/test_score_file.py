"""What comes first where several messages of a file stand at one tick."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import mido
import pytest

from bridge.rehearse.result import result_of
from bridge.rehearse.run import perform
from bridge.show.score_file import read_score
from tests.chain.rig import one_coil
from tests.show.stage import midi_file

BEAT = 480


def on(key: int, time: int = 0) -> mido.Message:
    return mido.Message("note_on", note=key, velocity=100, time=time)


def off(key: int, time: int = 0) -> mido.Message:
    return mido.Message("note_off", note=key, velocity=0, time=time)


def said(path: Path) -> list[tuple[str, int]]:
    """(kind, key or controller) of every message, in order."""
    kinds = {0x80: "off", 0x90: "on", 0xB0: "controller"}
    return [(kinds[e.message[0] & 0xF0], e.message[1]) for e in read_score(path).events]


def silent_on(key: int, time: int = 0) -> mido.Message:
    """The other way in which a file may say that a note ends (MIDI 1.0)."""
    return on(key, time).copy(velocity=0)


@pytest.mark.parametrize("ends", [off, silent_on])
def test_what_ends_at_a_tick_comes_before_what_begins(
    tmp_path: Path, ends: Callable[..., mido.Message]
) -> None:
    path = midi_file(
        tmp_path / "two.mid",
        [on(72), on(74, BEAT), ends(72), ends(74, BEAT)],
        [on(50), on(53), ends(50, BEAT), ends(53)],
    )
    events = [(e.message[1], bool(e.message[0] & 0x10 and e.message[2]))
              for e in read_score(path).events]  # fmt: skip
    assert events[:3] == [(72, True), (50, True), (53, True)]
    assert events[3:6] == [(72, False), (50, False), (53, False)]
    assert events[6:] == [(74, True), (74, False)]


def test_a_note_without_length_and_a_pedal_keep_their_order(tmp_path: Path) -> None:
    pedal = mido.Message("control_change", control=64, value=127)
    path = midi_file(
        tmp_path / "one.mid",
        [on(60), on(62, BEAT), off(62), pedal, off(60), off(61)],
    )
    assert said(path) == [
        ("on", 60), ("on", 62), ("off", 62), ("controller", 64), ("off", 60), ("off", 61),
    ]  # fmt: skip


def test_no_voice_is_taken_from_a_note_that_ends_then(tmp_path: Path) -> None:
    """Two voices; the first track's next note begins as the second's two end."""
    path = midi_file(
        tmp_path / "two.mid",
        [on(72, BEAT), off(72, BEAT)],
        [on(50), on(53), off(50, BEAT), off(53)],
    )
    result = result_of(perform(one_coil(max_voices=2), read_score(path)), "two.mid")
    assert result.losses == ()
    assert result.survives
