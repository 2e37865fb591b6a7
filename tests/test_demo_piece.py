"""The demo's own piece: whole, in order, and MIDI to someone else's parser (mido)."""

from __future__ import annotations

import mido
import pytest

from bridge.demo_piece import BEAT_S, END_BEAT, piece
from tests.site_text import site


def messages() -> list[tuple[float, mido.Message]]:
    return [(at, mido.Message.from_bytes(data)) for at, data in piece()]


def test_every_message_is_valid_midi() -> None:
    kinds = {message.type for _, message in messages()}
    assert kinds == {"program_change", "note_on", "note_off", "pitchwheel", "control_change"}
    for (_, message), (_, data) in zip(messages(), piece(), strict=True):
        assert message.bin() == data


def test_it_is_in_order() -> None:
    times = [at for at, _ in piece()]
    assert times == sorted(times)
    assert times[0] == 0
    assert times[-1] == pytest.approx(END_BEAT * BEAT_S)


def test_it_lasts_about_fifteen_seconds() -> None:
    assert 14 < END_BEAT * BEAT_S < 16


def test_every_note_that_begins_ends_and_none_begins_twice() -> None:
    held: set[tuple[int, int]] = set()
    begun = 0
    for _, message in messages():
        if message.type == "note_on":
            assert message.velocity > 0
            key = (message.channel, message.note)
            assert key not in held
            held.add(key)
            begun += 1
        elif message.type == "note_off":
            held.remove((message.channel, message.note))
    assert held == set()
    assert begun > 100


def test_programs_come_before_the_first_notes_of_their_channels() -> None:
    chosen: set[int] = set()
    for _, message in messages():
        if message.type == "program_change":
            chosen.add(message.channel)
        elif message.type == "note_on":
            assert message.channel in chosen | {9}  # channel 10 is percussion


def test_it_calls_nothing_that_stops_or_stays() -> None:
    """No pedal is left down, nothing is bent at the end: the last message resets controllers."""
    _, last = messages()[-1]
    assert (last.type, last.control) == ("control_change", 121)
    assert last.channel == 0
    moved = {m.channel for _, m in messages() if m.type in ("pitchwheel", "control_change")}
    assert moved == {0}


def test_it_fits_an_ordinary_sites_channels() -> None:
    channels = {m.channel + 1 for _, m in messages()}
    assert channels == {1, 2, 3, 10}
    assert site().music.percussion_channel == 10
