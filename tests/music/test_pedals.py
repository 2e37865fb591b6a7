"""Sustain and sostenuto: which keys they hold, and for how long."""

from __future__ import annotations

import pytest

from bridge.music.voices import Hold
from tests.music.rig import Rig, holds


@pytest.mark.parametrize(("value", "down"), [(0, False), (63, False), (64, True), (127, True)])
def test_the_sustain_pedal_is_down_from_64(rig: Rig, value: int, down: bool) -> None:
    rig.cc(64, value)
    rig.on(60)
    rig.off(60)
    assert rig.one().hold is (Hold.PEDALLED if down else Hold.RELEASED)


def test_notes_off_under_the_pedal_wait_for_it(rig: Rig) -> None:
    rig.on(60)
    rig.cc(64, 127)
    rig.on(64)
    rig.off(60)
    rig.off(64)
    rig.wait(2.0)
    assert holds(rig) == {60: Hold.PEDALLED, 64: Hold.PEDALLED}
    rig.on(67)
    rig.cc(64, 0)
    assert holds(rig) == {60: Hold.RELEASED, 64: Hold.RELEASED, 67: Hold.HELD}


def test_the_pedal_does_not_catch_what_is_already_fading(rig: Rig) -> None:
    rig.on(60)
    rig.off(60)
    rig.cc(64, 127)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_a_pedalled_key_struck_again_is_one_voice_that_its_note_off_ends(rig: Rig) -> None:
    rig.cc(64, 127)
    rig.on(60)
    rig.off(60)
    rig.on(60)
    assert rig.one().hold is Hold.HELD
    rig.cc(64, 0)
    assert rig.one().hold is Hold.HELD
    rig.off(60)
    rig.wait(0.5)
    assert rig.asks() == ()


def test_sostenuto_holds_only_the_keys_down_when_it_is_pressed(rig: Rig) -> None:
    rig.on(60)
    rig.cc(66, 127)
    rig.on(64)
    rig.cc(66, 127)  # again, as a continuous pedal sends it: takes in nothing new
    rig.off(60)
    rig.off(64)
    assert holds(rig) == {60: Hold.PEDALLED, 64: Hold.RELEASED}
    rig.cc(66, 0)
    assert holds(rig)[60] is Hold.RELEASED


def test_sostenuto_does_not_latch_what_only_the_sustain_pedal_holds(rig: Rig) -> None:
    rig.cc(64, 127)
    rig.on(60)
    rig.off(60)
    rig.cc(66, 127)
    rig.cc(64, 0)
    assert rig.one().hold is Hold.RELEASED


def test_each_pedal_holds_on_when_the_other_lets_go(rig: Rig) -> None:
    rig.on(60)
    rig.cc(66, 127)
    rig.cc(64, 127)
    rig.off(60)
    rig.cc(66, 0)
    assert rig.one().hold is Hold.PEDALLED
    rig.cc(66, 127)
    rig.cc(64, 0)
    assert rig.one().hold is Hold.RELEASED


def test_all_sound_off_is_silence_at_once_pedals_notwithstanding(rig: Rig) -> None:
    rig.cc(64, 127)
    rig.on(60)
    rig.on(64)
    rig.off(64)
    rig.on(67, channel=2)
    rig.cc(120, 0)
    assert rig.notes() == [67]


@pytest.mark.parametrize("controller", [123, 124, 125, 126, 127])
def test_all_notes_off_and_every_mode_message_let_the_keys_go(rig: Rig, controller: int) -> None:
    rig.on(60)
    rig.on(64)
    rig.cc(controller, 0)
    assert set(holds(rig).values()) == {Hold.RELEASED}
    rig.wait(0.5)
    assert rig.asks() == ()


@pytest.mark.parametrize("controller", [123, 124, 125, 126, 127])
def test_the_pedal_holds_against_all_notes_off(rig: Rig, controller: int) -> None:
    rig.cc(64, 127)
    rig.on(60)
    rig.cc(controller, 0)
    assert rig.one().hold is Hold.PEDALLED
    rig.cc(64, 0)
    rig.wait(0.5)
    assert rig.asks() == ()
