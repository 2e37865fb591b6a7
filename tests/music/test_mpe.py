"""MPE zones. Source: MPE 1.0 (RP-053), from memory: RPN 6 on channel 1 or 16 sets up the lower or
upper zone; members bend 48 semitones, the manager 2; the newest zone wins."""

from __future__ import annotations

import pytest

from bridge.music.tuning import cents_between, note_to_hz
from bridge.music.voices import Hold
from tests.music.rig import Rig, make_config


@pytest.fixture
def rig() -> Rig:
    rig = Rig()
    rig.rpn(6, 5, channel=1)  # lower zone: channel 1 manages 2..6
    return rig


def cents_off(rig: Rig, key: int = 60) -> float:
    return cents_between(note_to_hz(key), rig.one().break_rate_hz)


def test_a_member_bends_48_semitones(rig: Rig) -> None:
    rig.on(60, channel=2)
    rig.bend(8192 + 4096, channel=2)
    assert cents_off(rig) == pytest.approx(2400.0)


def test_the_managers_bend_of_2_semitones_adds_to_the_members(rig: Rig) -> None:
    rig.on(60, channel=2)
    rig.bend(8192 + 2048, channel=2)
    rig.bend(0, channel=1)
    assert cents_off(rig) == pytest.approx(1200.0 - 200.0)


def test_a_channel_outside_the_zone_is_untouched(rig: Rig) -> None:
    rig.on(60, channel=7)
    rig.bend(0, channel=1)
    rig.cc(7, 0, channel=1)
    assert cents_off(rig) == 0.0
    rig.bend(0, channel=7)
    assert cents_off(rig) == pytest.approx(-200.0)


def test_a_note_on_the_manager_channel_bends_with_it_alone(rig: Rig) -> None:
    rig.on(60, channel=1)
    rig.bend(0, channel=1)
    rig.bend(0, channel=2)
    assert cents_off(rig) == pytest.approx(-200.0)


@pytest.mark.parametrize("controller", [7, 11])
def test_the_managers_volume_is_the_zones(rig: Rig, controller: int) -> None:
    rig.on(60, channel=2)
    rig.cc(controller, 0, channel=1)
    assert rig.asks() == ()
    rig.cc(controller, 127, channel=1)
    assert rig.one().note == 60


def test_volume_default_is_not_applied_twice(rig: Rig) -> None:
    rig.on(60, channel=2)
    member = rig.one().energy
    rig.cc(120, 0, channel=1)
    rig.on(60, channel=1)
    assert rig.one().energy == pytest.approx(member)


def test_a_members_own_volume_counts_when_it_is_sent(rig: Rig) -> None:
    rig.on(60, channel=2)
    rig.cc(7, 0, channel=2)
    assert rig.asks() == ()


@pytest.mark.parametrize("pedal", [64, 66])
def test_the_managers_pedals_hold_the_zone(rig: Rig, pedal: int) -> None:
    rig.on(60, channel=2)
    rig.on(60, channel=8)
    rig.cc(pedal, 127, channel=1)
    rig.off(60, channel=2)
    rig.wait(1.0)
    assert rig.one().hold is Hold.HELD  # channel 8 still holds the shared train
    rig.off(60, channel=8)
    assert rig.one().hold is Hold.PEDALLED
    rig.cc(pedal, 0, channel=1)
    rig.wait(0.5)
    assert rig.asks() == ()


@pytest.mark.parametrize("controller", [120, 123])
def test_the_managers_silence_is_the_zones(rig: Rig, controller: int) -> None:
    rig.on(60, channel=3)
    rig.on(64, channel=7)
    rig.cc(controller, 0, channel=1)
    rig.wait(0.5)
    assert rig.notes() == [64]


def test_reset_on_the_manager_resets_the_zone(rig: Rig) -> None:
    rig.on(60, channel=2)
    rig.bend(0, channel=1)
    rig.bend(9000, channel=2)
    rig.cc(121, 0, channel=1)
    assert cents_off(rig) == 0.0


def test_a_members_bend_range_is_every_members(rig: Rig) -> None:
    rig.rpn(0, 24, channel=3)
    rig.on(60, channel=2)
    rig.bend(0, channel=2)
    assert cents_off(rig) == pytest.approx(-2400.0)
    rig.bend(8192, channel=2)
    rig.bend(0, channel=1)
    assert cents_off(rig) == pytest.approx(-200.0)  # the manager's own stays


def test_the_managers_program_is_the_zones(rig: Rig) -> None:
    rig.program(40, channel=1)  # strings: slow attack
    rig.on(60, channel=2)
    assert rig.instrument.moving()


def test_the_upper_zone_counts_downward_from_15() -> None:
    rig = Rig()
    rig.rpn(6, 3, channel=16)
    for channel, semitones in ((13, 48), (15, 48), (12, 2), (16, 2)):
        rig.bend(8192 + 1024, channel=channel)
        rig.on(60, channel=channel)
        assert cents_off(rig) == pytest.approx(100.0 * semitones / 8), channel
        rig.cc(120, 0, channel=channel)
        rig.bend(8192, channel=channel)


def test_the_newest_zone_takes_the_channels_it_overlaps() -> None:
    rig = Rig()
    rig.rpn(6, 10, channel=1)  # 2..11
    rig.rpn(6, 6, channel=16)  # 10..15
    rig.on(60, channel=10)
    rig.bend(0, channel=1)
    assert cents_off(rig) == 0.0
    rig.bend(0, channel=16)
    assert cents_off(rig) == pytest.approx(-200.0)
    rig.cc(120, 0, channel=10)
    rig.on(60, channel=9)
    assert cents_off(rig) == pytest.approx(-200.0)  # by channel 1, as before


def test_a_newer_lower_zone_takes_channels_from_the_upper_one() -> None:
    rig = Rig()
    rig.rpn(6, 6, channel=16)  # 10..15
    rig.rpn(6, 10, channel=1)  # 2..11
    rig.on(60, channel=11)
    rig.on(64, channel=12)
    rig.cc(120, 0, channel=16)  # silences what is left of its zone
    assert rig.notes() == [60]
    rig.bend(0, channel=1)
    assert cents_off(rig) == pytest.approx(-200.0)


def test_a_zone_of_15_takes_the_other_manager_too() -> None:
    rig = Rig()
    rig.rpn(6, 6, channel=16)
    rig.rpn(6, 15, channel=1)
    rig.on(60, channel=16)
    rig.bend(8192 + 2048, channel=16)
    assert cents_off(rig) == pytest.approx(1200.0)
    rig.bend(8192, channel=16)
    rig.cc(7, 0, channel=1)
    assert rig.asks() == ()


def test_value_0_removes_the_zone(rig: Rig) -> None:
    rig.rpn(6, 0, channel=1)
    rig.on(60, channel=2)
    rig.bend(0, channel=1)
    rig.cc(7, 0, channel=1)
    assert cents_off(rig) == 0.0
    rig.bend(0, channel=2)
    assert cents_off(rig) == pytest.approx(-200.0)


@pytest.mark.parametrize(("channel", "members"), [(2, 5), (8, 15), (1, 16), (16, 127)])
def test_configurations_that_mean_nothing_are_ignored(channel: int, members: int) -> None:
    rig = Rig()
    rig.rpn(6, members, channel=channel)
    rig.on(60, channel=3)
    rig.bend(0, channel=3)
    assert cents_off(rig) == pytest.approx(-200.0)


def test_notes_sounding_in_a_zone_that_changes_are_released_at_their_pitch(rig: Rig) -> None:
    rig.on(60, channel=2)
    rig.bend(8192 + 2048, channel=2)
    rig.rpn(6, 3, channel=1)
    assert rig.one().hold is Hold.RELEASED
    assert cents_off(rig) == pytest.approx(1200.0)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_the_percussion_channel_is_melodic_within_a_zone() -> None:
    rig = Rig(make_config())
    rig.on(40, channel=10)
    assert rig.one().bang_count > 0
    rig.cc(120, 0, channel=10)
    rig.rpn(6, 15, channel=1)
    rig.on(40, channel=10)
    assert rig.one().bang_count == 0
    assert rig.one().note == 40
