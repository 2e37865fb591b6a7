"""What a journal holds, put through today's Engine: does it act the same? Pure, given the events.

Compared are, bit by bit and in order: every write (the frames), and every record of the Engine. The
shell is repeated as far as it moves the Engine: after what was collected it asked for the next
deadline, which brings the music up to date.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from bridge import entries
from bridge.config import Config
from bridge.engine import Engine
from bridge.interlock import Latch
from bridge.journal.codec import told
from bridge.journal.values import ClockFix, Event, Missing, Noted, Sounding, Told, Wrote
from bridge.link.outbox import Outgoing
from bridge.source import VoiceSource


@dataclass(frozen=True, slots=True)
class Difference:
    """The first one."""

    at_s: float
    what: str
    recorded: str
    today: str


@dataclass(slots=True)
class Comparison:
    entries: int = 0
    writes: int = 0
    records: int = 0
    ended_s: float = 0.0
    difference: Difference | None = None
    stopped: str = ""
    """Why it was not compared to the end, or ""."""

    @property
    def same(self) -> bool:
        return self.difference is None and not self.stopped


class _Replay:
    """Walks both side by side."""

    def __init__(self, config: Config, source: VoiceSource, latch: Latch) -> None:
        self.found = Comparison()
        self._engine = Engine(config, source, latch)
        self._asked: tuple[entries.Collect, Outgoing] | None = None
        """What today's Engine would write, until the journal says what was written."""
        self._unwritten: dict[str, Difference] = {}
        """Not written by a line that failed in that moment, or so it seems until it says so."""
        self._was_collect = False
        self._records: dict[str, deque[Told]] = defaultdict(deque)
        """What today's Engine reported, by `_stream`."""

    def take(self, event: Event) -> None:
        if isinstance(event, Wrote):
            self._wrote(event)
            return
        if isinstance(event, Told):
            self._told(event)
            return
        if isinstance(event, Sounding | ClockFix | Noted):
            return
        if isinstance(event, Missing):
            self.found.stopped = f"{event.lost} things are missing here"
            return
        self._settle()
        self.found.entries += 1
        self.found.ended_s = event.at_s
        if isinstance(event, entries.Collect):
            self._collect(event)
            return
        if self._was_collect:
            self._was_collect = False
            self._engine.next_deadline_s()
        self._enter(event)

    def _enter(self, entry: entries.Entry) -> None:
        if isinstance(entry, entries.LinkDown):
            self._unwritten.pop(entry.controller, None)
        try:
            if isinstance(entry, entries.SourceTold | entries.SourceHeard):
                for command, numbers in entry.commands:
                    self._engine.source.do(command, numbers)
            entry.enter(self._engine)
        except Exception as error:  # as in the daemon: what it led to comes as an entry of its own
            if isinstance(error, ValueError) and isinstance(
                entry, entries.SourceTold | entries.SourceHeard
            ):
                self.found.stopped = str(error)
        self._take_records(entry.at_s)

    def _collect(self, entry: entries.Collect) -> None:
        self._was_collect = True
        if (failed := self._unwritten.pop(entry.controller, None)) is not None:
            self.found.difference = failed  # the line lived on: it was not the line
            return
        try:
            out = entry.enter(self._engine)
        except Exception:
            out = None
        if out is not None:
            self._asked = (entry, out)
        self._take_records(entry.at_s)

    def _wrote(self, event: Wrote) -> None:
        self.found.writes += 1
        recorded = Outgoing(event.discard, event.data, event.line_break)
        asked, self._asked = self._asked, None
        if asked is None or asked[0].controller != event.controller or asked[1] != recorded:
            today = None if asked is None else asked[1]
            self._differs(event.at_s, f"what {event.controller} was sent", recorded, today)

    def _settle(self) -> None:
        """What today's Engine gave and the journal does not hold as written."""
        if self._asked is None:
            return
        entry, out = self._asked
        self._asked = None
        what = f"what {entry.controller} was sent"
        self._unwritten[entry.controller] = Difference(entry.at_s, what, "nothing", _out_text(out))

    # -- records ------------------------------------------------------------------------------

    def _take_records(self, at_s: entries.HostS) -> None:
        for record in self._engine.take_records():
            one = told(at_s, record)
            self._records[_stream(one)].append(one)

    def _told(self, event: Told) -> None:
        self.found.records += 1
        waiting = self._records[_stream(event)]
        today = waiting.popleft() if waiting else None
        if today is None or (today.kind, today.fields) != (event.kind, event.fields):
            self.found.difference = Difference(
                event.at_s,
                "what was reported",
                f"{event.kind} {event.line or event.fields}",
                "nothing" if today is None else f"{today.kind} {today.line or today.fields}",
            )

    def _differs(
        self, at_s: float, what: str, recorded: Outgoing | None, today: Outgoing | None
    ) -> None:
        self.found.difference = Difference(at_s, what, _out_text(recorded), _out_text(today))


def _stream(record: Told) -> str:
    """Records that keep their order whenever they are taken out: the Engine keeps what is held back
    coil by coil, and gives it after all else that it has to report by then."""
    return str(record.fields["coil"]) if record.kind == "HeldBackChanged" else ""


def _out_text(out: Outgoing | None) -> str:
    if out is None:
        return "nothing"
    parts = [f"{len(out.data)} bytes {out.data.hex()}" if out.data else "no bytes"]
    if out.discard:
        parts.insert(0, "unsent bytes thrown away")
    if out.line_break:
        parts.append("a break")
    return ", ".join(parts)


def replay(
    config: Config,
    source: VoiceSource,
    latch: Latch,
    events: Iterable[Event],
    *,
    each: Callable[[Event], None] = lambda event: None,
) -> Comparison:
    """Up to the end or the first difference. `each` sees every event before it is taken."""
    walk = _Replay(config, source, latch)
    for event in events:
        each(event)
        walk.take(event)
        if not walk.found.same:
            break
    return walk.found
