"""Watching a running site: told of everything, in order, after the wire; moves nothing.

Real event loop, simulated boards in this process (no ports, no MIDI).
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from bridge import entries
from bridge.clocks import HostS
from bridge.engine import Act, Engine
from bridge.interlock import Cause, Latch, State
from bridge.link.outbox import Outgoing
from bridge.music.instrument import Instrument
from bridge.records import InterlockChanged, Record
from bridge.watcher import Watcher, Watchers
from tests.chain.rig import note_on
from tests.running_site import NOW, Site, play, tripped


class All(Watcher):
    """Keeps everything it is told, in order."""

    def __init__(self) -> None:
        self.entries: list[entries.Entry] = []
        self.records: list[tuple[HostS, Record]] = []
        self.writes: list[tuple[HostS, str, Outgoing]] = []
        self.looks = 0

    def entered(self, entry: entries.Entry) -> None:
        self.entries.append(entry)

    def recorded(self, at_s: HostS, record: Record) -> None:
        self.records.append((at_s, record))

    def wrote(self, at_s: HostS, controller: str, out: Outgoing) -> None:
        self.writes.append((at_s, controller, out))

    def settled(self, at_s: HostS, engine: Engine) -> None:
        self.looks += 1


class Broken(Watcher):
    """Fails whatever it is told."""

    def __init__(self) -> None:
        self.told = 0

    def _fail(self) -> None:
        self.told += 1
        raise BrokenPipeError(32, "planted")

    def entered(self, entry: entries.Entry) -> None:
        self._fail()

    def recorded(self, at_s: HostS, record: Record) -> None:
        self._fail()

    def wrote(self, at_s: HostS, controller: str, out: Outgoing) -> None:
        self._fail()

    def settled(self, at_s: HostS, engine: Engine) -> None:
        self._fail()


def replayed(site: Site, happened: list[entries.Entry]) -> list[tuple[str, Outgoing]]:
    """What another Engine gives when the very same happens to it."""
    engine = Engine(site.config, Instrument(site.config), Latch())
    outs: list[tuple[str, Outgoing]] = []
    for entry in happened:
        out = entry.enter(engine)
        if isinstance(entry, entries.Collect) and out is not None:
            outs.append((entry.controller, out))
        engine.next_deadline_s()
    return outs


def test_what_was_entered_makes_another_engine_say_the_very_same(tmp_path: Path) -> None:
    seen = All()

    async def story(made: Site) -> None:
        for note in (45, 52, 57, 64):
            made.service.midi_in(NOW(), "keys", note_on(note, 100))
            await asyncio.sleep(0.11)
        made.service.midi_in(NOW(), "keys", bytes((0xB0, 1, 90)))  # vibrato moves by itself
        await asyncio.sleep(0.4)
        made.service.act(Act.HUSH, "terminal")
        made.service.stop(Cause.OPERATOR_STOP, "planted", "panel Tablet")
        await tripped(made, Cause.OPERATOR_STOP)
        await asyncio.sleep(0.2)

    made = play(tmp_path, story, lambda made: made.service.watchers.add(seen))
    written = [(name, out) for _, name, out in seen.writes]
    assert len(written) > 100
    assert replayed(made, seen.entries) == written
    assert entries.Acted in {type(e) for e in seen.entries}
    hush = next(e for e in seen.entries if isinstance(e, entries.Acted) and e.act is Act.HUSH)
    assert hush.by == "terminal"
    stop = next(e for e in seen.entries if isinstance(e, entries.Stopped))
    assert (stop.detail, stop.by) == ("planted", "panel Tablet")
    assert any(isinstance(r, InterlockChanged) for _, r in seen.records)
    assert seen.looks > 100
    times = [e.at_s for e in seen.entries]
    assert times == sorted(times)


def test_a_watcher_that_always_fails_stops_nothing_and_nobody(tmp_path: Path) -> None:
    broken, seen = Broken(), All()

    async def story(made: Site) -> None:
        await asyncio.sleep(0.1)
        assert made.service.engine.interlock.state is State.ARMED
        made.service.stop(Cause.OPERATOR_STOP)
        await tripped(made, Cause.OPERATOR_STOP)

    def prepare(made: Site) -> None:
        made.service.watchers.add(broken)
        made.service.watchers.add(seen)

    play(tmp_path, story, prepare)
    assert broken.told > 100
    assert any(isinstance(e, entries.Stopped) for e in seen.entries)


def test_a_stop_is_on_the_wire_before_anybody_is_told(tmp_path: Path) -> None:
    order: list[str] = []

    class Notes(Watcher):
        def entered(self, entry: entries.Entry) -> None:
            if isinstance(entry, entries.Stopped):
                order.append("told")

    async def story(made: Site) -> None:
        for name, transport in made.transports.items():

            def write(data: bytes, name: str = name, real: Any = transport.write) -> None:
                order.append(name)
                real(data)

            transport.write = write
        order.clear()
        made.service.stop(Cause.OPERATOR_STOP)
        assert order[:3] == ["North", "South", "told"]
        await tripped(made, Cause.OPERATOR_STOP)

    play(tmp_path, story, lambda made: made.service.watchers.add(Notes()))


def test_who_does_not_look_is_not_called_and_leaving_ends_it() -> None:
    class Counts(Watcher):
        def __init__(self) -> None:
            self.seen = 0

        def entered(self, entry: entries.Entry) -> None:
            self.seen += 1

    counts, complaints = Counts(), list[str]()
    watchers = Watchers([Watcher(), counts], complaints.append)
    engine: Engine = object()  # type: ignore[assignment]  (nobody looks at it)
    watchers.entered(entries.Advance(HostS(1.0)))
    assert counts.seen == 0  # not before it took effect
    watchers.pass_on(HostS(1.0), engine)
    watchers.pass_on(HostS(1.1), engine)
    assert counts.seen == 1
    watchers.remove(counts)
    watchers.entered(entries.Advance(HostS(1.2)))
    watchers.pass_on(HostS(1.2), engine)
    assert counts.seen == 1
    assert complaints == []
