"""A run of two simulated racks, recorded as `serve` records it. Real loop, no ports, no MIDI."""

from __future__ import annotations

import asyncio
from pathlib import Path

from bridge.engine import Act
from bridge.interlock import Cause, State
from bridge.journal.files import journals
from bridge.journal.journal import Journal
from bridge.journal.night import Night
from tests.chain.rig import note_on
from tests.test_service import NOW, Site, play


def recorded_run(folder: Path, *, trip: bool = True) -> tuple[Site, Night]:
    """A chord with vibrato, a hush, and a stop by a panel."""
    kept: list[Journal] = []

    def prepare(made: Site) -> None:
        engine = made.service.engine
        journal = Journal(made.config, engine.source, engine.interlock.latch)
        kept.append(journal)
        made.service.watchers.add(journal)
        journal.start()

    async def story(made: Site) -> None:
        for note in (45, 52, 57, 64):
            made.service.midi_in(NOW(), "keys", note_on(note, 100))
            await asyncio.sleep(0.06)
        made.service.midi_in(NOW(), "keys", bytes((0xB0, 1, 90)))  # vibrato moves by itself
        await asyncio.sleep(0.5)
        made.service.act(Act.HUSH, "terminal")
        made.service.midi_in(NOW(), "keys", note_on(60, 100))
        await asyncio.sleep(0.2)
        assert made.service.engine.interlock.state is State.ARMED
        if trip:
            made.service.stop(Cause.OPERATOR_STOP, "planted", "panel Tablet")
            await asyncio.sleep(0.3)

    made = play(folder, story, prepare)
    kept[0].close()
    (path,) = journals(folder / "journal")
    return made, Night(path)
