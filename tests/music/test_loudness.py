"""Energy from velocity, volume, expression, pressure. Zero is silence, never the shortest pulse."""

from __future__ import annotations

import itertools

import pytest

from bridge.music.voices import Hold
from tests.music.rig import Rig, make_config


@pytest.fixture
def rig() -> Rig:
    rig = Rig()
    rig.on(60)
    return rig


def test_energy_is_the_product_of_the_configured_power_laws() -> None:
    rig = Rig(make_config(music={"velocity_exponent": 1.2, "volume_exponent": 3.0}))
    rig.cc(7, 90)
    rig.cc(11, 110)
    rig.on(60, 80)
    expected = (80 / 127) ** 1.2 * (90 / 127) ** 3.0 * (110 / 127) ** 3.0
    assert rig.one().energy == pytest.approx(expected)


def test_volume_is_100_and_expression_127_at_power_up(rig: Rig) -> None:
    # General MIDI, from memory; expression also RP-015.
    rig.on(60, 127)
    assert rig.one().energy == pytest.approx((100 / 127) ** 2)


def test_everything_full_is_exactly_full_energy(rig: Rig) -> None:
    rig.cc(7, 127)
    rig.on(60, 127)
    assert rig.one().energy == 1.0


def test_every_velocity_differs_from_its_neighbours(rig: Rig) -> None:
    energies: list[float] = []
    for velocity in range(1, 128):
        rig.on(60, velocity)
        energies.append(rig.one().energy)
    assert all(a < b for a, b in itertools.pairwise(energies))


@pytest.mark.parametrize("controller", [7, 11])
def test_zero_is_silence_and_the_note_returns_as_a_new_sounding(rig: Rig, controller: int) -> None:
    before = rig.one()
    rig.cc(controller, 0)
    assert rig.asks() == ()
    assert rig.instrument.notes_held()
    rig.wait(1.0)
    assert rig.asks() == ()
    rig.cc(controller, 127)
    after = rig.one()
    assert after.note == before.note
    assert after.hold is Hold.HELD
    assert after.voice_id != before.voice_id


@pytest.mark.parametrize("controller", [7, 11])
def test_a_fade_to_zero_falls_all_the_way_and_ends_in_silence(rig: Rig, controller: int) -> None:
    energies: list[float] = []
    for value in range(127, 0, -1):
        rig.cc(controller, value)
        energies.append(rig.one().energy)
    assert all(a > b for a, b in itertools.pairwise(energies))
    rig.cc(controller, 0)
    assert rig.asks() == ()


def test_a_note_struck_at_volume_zero_is_heard_when_volume_comes(rig: Rig) -> None:
    rig.cc(7, 0)
    rig.on(64)
    assert rig.asks() == ()
    rig.cc(7, 100)
    assert rig.notes() == [60, 64]


def test_a_note_released_in_silence_stays_away(rig: Rig) -> None:
    rig.cc(7, 0)
    rig.off(60)
    rig.wait(0.5)
    rig.cc(7, 100)
    assert rig.asks() == ()


def test_pressure_brings_a_note_half_way_to_full(rig: Rig) -> None:
    rig.cc(7, 127)
    rig.on(60, 64)
    soft = rig.one()
    rig.send(0xD0, 127)
    assert rig.one().energy == pytest.approx(soft.energy + (1 - soft.energy) / 2)
    assert rig.one().voice_id == soft.voice_id
    rig.send(0xD0, 0)
    assert rig.one().energy == soft.energy


def test_poly_pressure_is_for_its_key_alone(rig: Rig) -> None:
    rig.on(64)
    before = {a.note: a.energy for a in rig.asks()}
    rig.send(0xA0, 64, 127)
    after = {a.note: a.energy for a in rig.asks()}
    assert after[60] == before[60]
    assert after[64] > before[64]


def test_pressure_never_lifts_a_silent_channel(rig: Rig) -> None:
    rig.cc(7, 0)
    rig.send(0xD0, 127)
    rig.send(0xA0, 60, 127)
    assert rig.asks() == ()


def test_reset_all_controllers_is_rp_015() -> None:
    """RP-015: expression 127, modulation 0, pedals off, parameters null, bend centre, pressures 0;
    not volume, program, tuning or bend range."""
    rig = Rig()
    rig.on(60)
    rig.cc(7, 80)
    rig.rpn(0, 12)
    rig.rpn(1, 96, 0)
    rested = rig.one()
    rig.cc(64, 127)
    rig.cc(66, 127)
    rig.cc(1, 100)
    rig.cc(11, 50)
    rig.bend(3000)
    rig.send(0xD0, 90)
    rig.send(0xA0, 60, 120)
    rig.rpn(0, 12)  # and leave it selected
    rig.t = 0.03
    assert rig.one().energy != rested.energy
    rig.cc(121, 0)
    assert rig.one().energy == rested.energy
    assert rig.one().break_rate_hz == rested.break_rate_hz
    assert rig.one().voice_id == rested.voice_id
    rig.cc(6, 3)  # goes nowhere: the parameter is null
    rig.bend(0)
    assert rig.one().break_rate_hz == pytest.approx(rested.break_rate_hz / 2)  # still an octave
    rig.off(60)
    assert rig.one().hold is Hold.RELEASED  # no pedal


def test_reset_all_controllers_lets_go_of_pedalled_notes_but_not_of_keys(rig: Rig) -> None:
    rig.cc(64, 127)
    rig.on(64)
    rig.off(64)
    rig.cc(121, 0)
    assert {a.note: a.hold for a in rig.asks()} == {60: Hold.HELD, 64: Hold.RELEASED}


def test_reset_all_controllers_keeps_the_program() -> None:
    rig = Rig(program=40)  # strings: a slow attack tells
    rig.cc(121, 0)
    rig.on(60)
    assert rig.instrument.moving()
