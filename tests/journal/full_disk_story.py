"""Run in a mount namespace of its own: a site plays while the disk of its journal is full.

    python -m tests.journal.full_disk_story DISK STATE MOST_WAITING

Prints what came of it as JSON.
"""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

import bridge.journal.writer as writer_module
from bridge.interlock import State
from bridge.journal.files import journals
from bridge.journal.journal import Journal
from bridge.journal.night import Night
from bridge.journal.replay import replay
from bridge.journal.values import Missing
from tests.chain.rig import note_on
from tests.running_site import NOW, Site, play

BOTH = ("Larkspur", "Foxglove")


def main(disk: Path, state: Path, most_waiting: int) -> None:
    writer_module.MOST_WAITING = most_waiting
    writer_module.AGAIN_S = 0.1
    said: list[str] = []
    kept: list[Journal] = []
    found: dict[str, object] = {}

    def prepare(made: Site) -> None:
        journal_settings = made.config.journal.model_copy(update={"directory": disk})
        config = made.config.model_copy(update={"journal": journal_settings})
        engine = made.service.engine
        journal = Journal(config, engine.source, engine.interlock.latch, said.append)
        kept.append(journal)
        made.service.watchers.add(journal)
        journal.start()

    async def story(made: Site) -> None:
        journal, filler = kept[0], disk / "filler"
        await made.until(lambda: journal.state.recording, "it records")
        try:
            with filler.open("wb") as file:
                while True:
                    file.write(bytes(4096))
                    file.flush()
        except OSError as error:
            found["filler"] = error.strerror
        await made.until(lambda: bool(journal.state.problem), "it notices")
        found["problem"] = journal.state.problem
        found["recording while full"] = journal.state.recording
        before = {n: len(made.boards.pulses[n]) for n in BOTH}
        for note in (45, 52, 57, 64):
            made.service.midi_in(NOW(), "keys", note_on(note, 100))
            await asyncio.sleep(0.2)
        found["state while full"] = made.service.engine.interlock.state.value
        found["pulses while full"] = min(len(made.boards.pulses[n]) - before[n] for n in BOTH)
        filler.unlink()
        await made.until(lambda: journal.state.recording, "it records again")
        await made.until(lambda: len(said) == 2, "it says so")
        await asyncio.sleep(0.3)
        assert made.service.engine.interlock.state is State.ARMED

    play(state, story, prepare)
    kept[0].close()
    night = Night(journals(disk)[0])
    events = list(night.read())
    config = night.config()
    compared = replay(config, night.source(config), night.latch(), events)
    found["said"] = said
    found["lost"] = kept[0].state.lost
    found["missing in the file"] = sum(e.lost for e in events if isinstance(e, Missing))
    found["difference"] = str(compared.difference)
    found["same"] = compared.same
    found["writes"] = compared.writes
    print(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
