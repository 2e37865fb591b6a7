"""Whatever ends the music ends its pulses: the end of an item, the panel's transport."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from bridge.clocks import HostS
from bridge.show import perform
from bridge.show.perform import Desk
from bridge.show.player import TAIL_S, Item
from bridge.show.score_file import Score, ScoreEvent
from bridge.show.show_file import Show
from bridge.show.show_source import Playing
from tests.show.stage import score_of, stage
from tests.show.test_player import begin, depot

ORGAN = ScoreEvent(0.0, bytes([0xC0, 16]))
"""General MIDI program 17: neither decays nor swells, so that nothing asks for it by the way."""
HELD = Score([ORGAN, ScoreEvent(0.5, bytes([0x90, 50, 100]))], ticks_per_quarter=480)
"""A note that the file never ends."""


@pytest.mark.parametrize("following", [(), (Item("Two", score_of([(0.2, 60, 2)]), wait=True),)])
def test_a_note_the_file_never_ends_ends_with_its_item(following: tuple[Item, ...]) -> None:
    virtual, source = stage(depot(), [Item("One", HELD), *following])
    zero_s = begin(virtual, source)
    virtual.run_until(HostS(zero_s + 1))
    assert virtual.take_pulses()["Larkspur"], "it has to sound first"
    virtual.run_until(HostS(zero_s + 10))
    last_s = virtual.take_pulses()["Larkspur"][-1].start_s
    assert last_s < zero_s + HELD.duration_s + TAIL_S + 0.3
    assert not source.notes_held()


@pytest.mark.parametrize("word", ["pause", "next"])
def test_the_panels_transport_silences_a_held_note(
    word: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    items = [
        Item(
            "One",
            Score([*HELD.events, ScoreEvent(60.0, bytes([0x80, 50, 0]))], ticks_per_quarter=480),
        ),
        Item("Two", score_of([(5, 60, 2)])),
    ]
    show = Show("Lantern night", tuple(items), (Playing(), Playing()), (), None, ())
    desk = Desk(depot(), show)
    virtual, _ = stage(depot(), items, source=desk.source)
    monkeypatch.setattr(perform, "host_now", lambda: virtual.now_s)
    desk.operator = SimpleNamespace(  # type: ignore[assignment]
        say=lambda line: None,
        service=SimpleNamespace(
            engine=virtual.engine,
            source_changed=lambda: virtual.engine.source_changed(virtual.now_s),
        ),
    )
    desk.asked("go", "Ada", None)
    zero_s = virtual.now_s + 3.0
    virtual.run_until(HostS(zero_s + 2))
    assert virtual.take_pulses()["Larkspur"], "it has to sound first"
    desk.asked(word, "Ada", None)
    asked_s = virtual.now_s
    virtual.run_for(3.0)
    last_s = virtual.take_pulses()["Larkspur"][-1].start_s
    assert last_s < asked_s + virtual.engine.timeline.lead_s + 0.5
    assert not desk.source.notes_held()
