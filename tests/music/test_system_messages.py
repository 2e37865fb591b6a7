"""System messages: active sensing, reset, what is lawful and does nothing, what is malformed."""

from __future__ import annotations

import pytest

from bridge.music.events import BadMessage, SensingLost
from bridge.music.tuning import note_to_hz
from bridge.music.voices import Hold
from tests.music.rig import Rig

# Active sensing: MIDI 1.0, 300 ms with a tolerance of 10 %


def test_without_active_sensing_silence_means_nothing(rig: Rig) -> None:
    rig.on(60)
    rig.wait(1.0)
    assert rig.one().hold is Hold.HELD
    assert rig.events(SensingLost) == []


def test_once_seen_its_silence_releases_all_notes(rig: Rig) -> None:
    rig.t = 1.0
    rig.send(0xFE)
    rig.cc(64, 127)
    rig.on(60)
    rig.off(60)
    rig.on(62, source="Keyboard")
    assert rig.instrument.next_deadline_s() == pytest.approx(1.33)
    rig.t = 1.30
    rig.instrument.tick(rig.t)
    assert {a.hold for a in rig.asks()} == {Hold.PEDALLED, Hold.HELD}
    rig.t = 1.331
    rig.instrument.tick(rig.t)
    assert {a.note: a.hold for a in rig.asks()} == {60: Hold.RELEASED, 62: Hold.HELD}
    (event,) = rig.events(SensingLost)
    assert event.input_name == "DAW"
    rig.wait(0.5)
    assert rig.notes() == [62]


@pytest.mark.parametrize("message", [(0xFE,), (0xF8,), (0xB0, 20, 1), (0x90, 61, 5), (0xF4,)])
def test_any_message_counts_as_life(rig: Rig, message: tuple[int, ...]) -> None:
    rig.send(0xFE)
    rig.on(60)
    for _ in range(10):
        rig.wait(0.29)
        rig.send(*message)
    assert all(a.hold is Hold.HELD for a in rig.asks())
    assert rig.events(SensingLost) == []


def test_after_a_loss_sensing_is_off_until_seen_again(rig: Rig) -> None:
    rig.send(0xFE)
    rig.wait(1.0)
    rig.on(60)
    rig.wait(1.0)
    assert rig.one().hold is Hold.HELD


def test_a_late_tick_still_ends_the_note_as_if_in_time(rig: Rig) -> None:
    rig.send(0xFE)
    rig.on(60)
    rig.t = 5.0
    assert rig.asks() == ()


# System messages


def test_system_reset_ends_notes_and_restores_defaults_of_its_input(rig: Rig) -> None:
    rig.rpn(6, 5)
    rig.rpn(0, 12, channel=9)
    rig.cc(7, 20, channel=9)
    rig.cc(126, 1, channel=9)
    rig.on(60, channel=9)
    rig.on(47, source="Keyboard")
    rig.send(0xFF)
    assert {a.note: a.hold for a in rig.asks()} == {60: Hold.RELEASED, 47: Hold.HELD}
    rig.wait(0.5)
    rig.program(16, 9)
    rig.on(60, 127, channel=9)
    rig.on(64, 127, channel=9)
    rig.bend(0, channel=9)
    rates = {a.note: a for a in rig.asks() if a.note != 47}
    assert rates[60].break_rate_hz == pytest.approx(note_to_hz(58))
    assert rates[64].energy == pytest.approx((100 / 127) ** 2)
    rig.bend(0, channel=1)  # no zone left
    rig.cc(120, 0, channel=9)
    rig.program(16, 2)
    rig.on(70, channel=2)
    assert {a.note: a.break_rate_hz for a in rig.asks()}[70] == pytest.approx(note_to_hz(70))


@pytest.mark.parametrize(
    "message",
    [
        b"\xf8",
        b"\xfa",
        b"\xfb",
        b"\xfc",
        b"\xf6",
        b"\xf1\x20",
        b"\xf2\x00\x10",
        b"\xf3\x01",
        b"\xf0\xf7",
        bytes.fromhex(
            "f07f7f010161 1e2314f7"
        ),  # MTC full frame: worked example, Digital Sound & Music, ch. 6
    ],
)
def test_clock_timecode_and_exclusive_are_lawful_and_do_nothing(rig: Rig, message: bytes) -> None:
    rig.on(60)
    before = rig.one()
    rig.instrument.midi(rig.t, "DAW", message)
    assert rig.one() == before
    assert rig.instrument.ignored_messages == 0


@pytest.mark.parametrize(
    "message",
    [
        b"",
        b"\x3c",
        b"\x3c\x40",
        b"\x90",
        b"\x90\x3c",
        b"\x90\x3c\x40\x00",
        b"\x90\x80\x40",
        b"\x90\x3c\xff",
        b"\xc0",
        b"\xc0\x01\x02",
        b"\xe0\x00",
        b"\xf0",
        b"\xf0\x01",
        b"\xf0\x81\xf7",
        b"\xf1",
        b"\xf2\x00",
        b"\xf4",
        b"\xf5",
        b"\xf7",
        b"\xf9",
        b"\xfd",
        b"\xf8\x00",
    ],
)
def test_malformed_and_undefined_messages_are_counted_and_do_nothing(
    rig: Rig, message: bytes
) -> None:
    rig.on(60)
    before = rig.one()
    rig.instrument.midi(rig.t, "DAW", message)
    assert rig.one() == before
    assert rig.instrument.ignored_messages == 1
    assert rig.events(BadMessage) == [BadMessage(0.0, "DAW", message)]
