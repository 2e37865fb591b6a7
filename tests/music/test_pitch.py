"""Bend, tuning and vibrato, from bytes to break rate. Sources: MIDI 1.0; CA-31 (from memory)."""

from __future__ import annotations

from math import pi, sin

import pytest

from bridge.music.tuning import cents_between, note_to_hz
from tests.music.rig import Rig, make_config

CENTRE = 8192


def cents_off(rig: Rig, key: int = 60) -> float:
    return cents_between(note_to_hz(key), rig.one().break_rate_hz)


DEPTH_CENTS = 30.0
"""Of the vibrato at CC 1 = 127, where the configuration says nothing."""


@pytest.fixture
def rig() -> Rig:
    rig = Rig()
    rig.on(60)
    return rig


def test_the_centre_is_the_bytes_00_40(rig: Rig) -> None:
    rig.send(0xE0, 0x7F, 0x7F)
    rig.send(0xE0, 0x00, 0x40)
    assert cents_off(rig) == 0.0


@pytest.mark.parametrize(
    ("low", "high", "cents"),
    [
        (0x00, 0x00, -200.0),  # full down: the default range is two semitones (MIDI 1.0)
        (0x00, 0x20, -100.0),
        (0x00, 0x60, 100.0),
        (0x01, 0x40, 200.0 / 8192),  # the first byte holds the low seven bits
        (0x7F, 0x7F, 200.0 * 8191 / 8192),
    ],
)
def test_bend_is_14_bits_low_byte_first(rig: Rig, low: int, high: int, cents: float) -> None:
    rig.send(0xE0, low, high)
    assert cents_off(rig) == pytest.approx(cents, abs=1e-6)


def test_bend_moves_sounding_notes_and_keeps_their_identity(rig: Rig) -> None:
    before = rig.one()
    rig.bend(CENTRE + 4096)
    assert rig.one().voice_id == before.voice_id
    assert rig.one().started_s == before.started_s


def test_bend_of_one_channel_leaves_the_others(rig: Rig) -> None:
    rig.on(72, channel=2)
    rig.bend(0, channel=2)
    rates = {a.channel: a.break_rate_hz for a in rig.asks()}
    assert rates[1] == pytest.approx(note_to_hz(60))
    assert rates[2] == pytest.approx(note_to_hz(70))


def test_bend_range_of_the_configuration() -> None:
    rig = Rig(make_config(music={"bend_range_semitones": 7}))
    rig.on(60)
    rig.bend(0)
    assert cents_off(rig) == pytest.approx(-700.0)


def test_rpn_0_sets_the_bend_range_in_semitones_and_cents(rig: Rig) -> None:
    rig.rpn(0, 12, 50)
    rig.bend(0)
    assert cents_off(rig) == pytest.approx(-1250.0)


def test_rpn_0_changes_a_bend_already_held(rig: Rig) -> None:
    rig.bend(0)
    rig.rpn(0, 5)
    assert cents_off(rig) == pytest.approx(-500.0)


def test_a_new_msb_clears_the_cents(rig: Rig) -> None:
    rig.rpn(0, 3, 40)
    rig.cc(6, 4)
    rig.bend(0)
    assert cents_off(rig) == pytest.approx(-400.0)


@pytest.mark.parametrize(
    ("msb", "lsb", "cents"),
    [(64, 0, 0.0), (0, 0, -100.0), (96, 0, 50.0), (127, 127, 100.0 * 8191 / 8192)],
)
def test_rpn_1_is_fine_tuning_of_a_hundred_cents_either_way(
    rig: Rig, msb: int, lsb: int, cents: float
) -> None:
    rig.rpn(1, msb, lsb)
    assert cents_off(rig) == pytest.approx(cents, abs=1e-6)


@pytest.mark.parametrize(("msb", "semitones"), [(64, 0), (52, -12), (65, 1), (71, 7)])
def test_rpn_2_is_coarse_tuning_around_64(rig: Rig, msb: int, semitones: int) -> None:
    voice = rig.one().voice_id
    rig.rpn(2, msb)
    assert cents_off(rig) == pytest.approx(100.0 * semitones, abs=1e-6)
    assert rig.one().voice_id == voice


def test_coarse_tuning_is_folded_like_a_key() -> None:
    rig = Rig(make_config(notes={"lowest": 48, "highest": 72, "outside": "fold"}))
    rig.rpn(2, 64 + 24)
    rig.on(60)
    assert rig.one().break_rate_hz == pytest.approx(note_to_hz(72))
    assert rig.one().note == 72


def test_rpn_null_shields_from_data_entry(rig: Rig) -> None:
    rig.rpn(0, 2)
    rig.cc(101, 127)
    rig.cc(100, 127)
    rig.cc(6, 12)
    rig.bend(0)
    assert cents_off(rig) == pytest.approx(-200.0)


def test_data_entry_for_an_nrpn_touches_no_rpn(rig: Rig) -> None:
    rig.rpn(0, 2)
    rig.cc(99, 0)
    rig.cc(98, 0)  # an NRPN with the number of the bend range
    rig.cc(6, 12)
    rig.cc(38, 30)
    rig.cc(96, 0)
    rig.bend(0)
    assert cents_off(rig) == pytest.approx(-200.0)


def test_half_an_rpn_number_after_an_nrpn_selects_nothing(rig: Rig) -> None:
    rig.rpn(0, 2)
    rig.cc(99, 0)
    rig.cc(98, 0)
    rig.cc(100, 0)
    rig.cc(6, 12)
    rig.bend(0)
    assert cents_off(rig) == pytest.approx(-200.0)


def test_increment_and_decrement_move_the_bend_range_by_cents(rig: Rig) -> None:
    rig.rpn(0, 2)  # RP-018, from memory: the LSB moves, with carry
    rig.cc(97, 0)
    rig.bend(0)
    assert cents_off(rig) == pytest.approx(-199.0)
    rig.cc(96, 0)
    rig.cc(96, 0)
    assert cents_off(rig) == pytest.approx(-201.0)


def test_a_bend_beyond_the_range_stops_two_semitones_out() -> None:
    rig = Rig(make_config(notes={"lowest": 48, "highest": 72, "outside": "fold"}))
    rig.rpn(0, 24)
    rig.on(72)
    rig.bend(16383)
    assert rig.one().break_rate_hz == pytest.approx(note_to_hz(74))
    rig.bend(0)
    rig.cc(120, 0)
    rig.on(48)
    assert rig.one().break_rate_hz == pytest.approx(note_to_hz(46))


def test_no_rate_above_2000_hz_even_on_a_coil_with_no_upper_end() -> None:
    rig = Rig(make_config(notes={"lowest": 0, "highest": 127, "outside": "fold"}))
    rig.rpn(0, 96)
    rig.on(127)
    assert rig.one().break_rate_hz == pytest.approx(note_to_hz(91))  # three octaves down
    rig.bend(16383)
    assert rig.one().break_rate_hz <= 2000.0
    rig.cc(1, 127)
    rates_hz: list[float] = []
    for _ in range(40):
        rig.wait(0.009)
        rates_hz.append(rig.one().break_rate_hz)
    assert min(rates_hz) < 1967 < max(rates_hz) <= 2000.0  # 29 cents below 2,000: 1,966.8


def test_vibrato_is_a_pure_function_of_time(rig: Rig) -> None:
    assert not rig.instrument.moving()
    rig.cc(1, 127)
    assert rig.instrument.moving()
    for t in (0.013, 0.05, 0.1, 0.237, 123.456):
        rig.t = t
        rig.on(60)  # whenever it was struck
        expected = DEPTH_CENTS * sin(2 * pi * 5.5 * t)  # the configuration's depth and rate
        assert cents_off(rig) == pytest.approx(expected, abs=1e-6)


def test_vibrato_depth_follows_cc_1_and_stops_at_0(rig: Rig) -> None:
    rig.t = 1 / (4 * 5.5)  # a quarter of the swing: the crest
    rig.cc(1, 127)
    assert cents_off(rig) == pytest.approx(DEPTH_CENTS)
    rig.cc(1, 64)
    assert cents_off(rig) == pytest.approx(DEPTH_CENTS * 64 / 127)
    rig.cc(1, 0)
    assert cents_off(rig) == pytest.approx(0.0)
    assert not rig.instrument.moving()
