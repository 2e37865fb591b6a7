"""A run of two simulated racks, recorded as `serve` records it. Real loop, no ports, no MIDI."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

from bridge.engine import Act
from bridge.interlock import Cause, State
from bridge.journal.files import journals
from bridge.journal.journal import Journal
from bridge.journal.night import Night
from bridge.journal.replay import Comparison, replay
from tests.chain.rig import note_on
from tests.running_site import NOW, Site, play


def recorded(
    folder: Path, story: Callable[[Site], Awaitable[None]], made: Site | None = None
) -> tuple[Site, Night]:
    """`story` on an armed and sounding site, `made` or the usual one."""
    kept: list[Journal] = []

    def prepare(made: Site) -> None:
        engine = made.service.engine
        journal = Journal(made.config, engine.source, engine.interlock.latch)
        kept.append(journal)
        made.service.watchers.add(journal)
        journal.start()

    made = play(folder, story, prepare, made)
    kept[0].close()
    (path,) = journals(folder / "journal")
    return made, Night(path)


def replayed(night: Night) -> Comparison:
    """By today's Engine, from the journal alone."""
    config = night.config()
    return replay(config, night.source(config), night.latch(), night.read())


def recorded_run(folder: Path, *, trip: bool = True) -> tuple[Site, Night]:
    """A chord with vibrato, a hush, and a stop by a panel."""

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

    return recorded(folder, story)
