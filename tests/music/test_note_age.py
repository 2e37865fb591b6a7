"""A note that nobody ends fades by itself; what counts as a sign of life."""

from __future__ import annotations

import pytest

from bridge.music.events import NoteFaded
from tests.music.rig import Rig, make_config

# max_note_s


def test_a_forgotten_note_fades_over_300_ms_and_is_reported() -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.on(60)
    assert rig.instrument.next_deadline_s() == 10.0
    assert not rig.instrument.moving()
    rig.t = 9.999
    full = rig.one().energy
    rig.t = 10.0
    rig.instrument.tick(rig.t)
    assert rig.instrument.moving()
    assert rig.events(NoteFaded) == [NoteFaded(10.0, "DAW", 1, 60, 10.0)]
    rig.t = 10.15
    assert rig.one().energy == pytest.approx(full / 2)
    rig.t = 10.3
    assert rig.asks() == ()
    assert not rig.instrument.notes_held()
    rig.cc(11, 100)  # nothing but a strike brings it back
    rig.wait(1.0)
    assert rig.asks() == ()
    rig.on(60)
    assert rig.one().note == 60


def test_a_pedalled_note_fades_too() -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.cc(64, 127)
    rig.on(60)
    rig.off(60)
    rig.wait(10.31)
    assert rig.asks() == ()


@pytest.mark.parametrize(
    "message",
    [(0xE0, 1, 64), (0xB0, 11, 100), (0xD0, 5), (0xA0, 60, 5), (0xB0, 64, 0), (0x90, 60, 80)],
)
def test_an_event_that_concerns_the_note_starts_its_time_anew(message: tuple[int, ...]) -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.on(60)
    rig.wait(9.0)
    rig.send(*message)
    rig.wait(9.9)
    assert rig.one().note == 60
    assert rig.events(NoteFaded) == []
    rig.wait(0.5)
    assert rig.asks() == ()


@pytest.mark.parametrize("message", [(0xE1, 1, 64), (0x90, 64, 80), (0xA0, 64, 5), (0xF8,)])
def test_events_that_do_not_concern_the_note_do_not(message: tuple[int, ...]) -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.on(60)
    rig.wait(9.0)
    rig.send(*message)
    rig.wait(1.31)
    assert 60 not in rig.notes()


def test_an_event_during_the_fade_does_not_save_the_note() -> None:
    rig = Rig(make_config(max_note_s=10))
    rig.on(60)
    rig.wait(10.1)
    rig.bend(9000)
    rig.wait(0.21)
    assert rig.asks() == ()
