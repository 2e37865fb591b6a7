"""The flight recorder of a running site: a watcher that packs what it sees for its writer."""

from __future__ import annotations

import time
from collections.abc import Callable

from bridge.clocks import HostS
from bridge.config import Config
from bridge.engine import Engine
from bridge.entries import Entry, Stopped
from bridge.governor.governor import Governed
from bridge.host_clock import host_now
from bridge.interlock import Latch
from bridge.journal.about import Began, about, code_digest
from bridge.journal.codec import pack_entry, pack_fix, pack_note, pack_sounding, pack_write
from bridge.journal.files import journal_directory, run_name
from bridge.journal.values import ClockFix, JournalState, Noted, Sounding
from bridge.journal.writer import Writer
from bridge.latch_store import site_slug
from bridge.link.outbox import Outgoing
from bridge.records import InterlockChanged, Record
from bridge.source import VoiceSource
from bridge.watcher import Watcher

LOOK_S = 0.5
"""Between two looks at how the record itself does."""
OFF = JournalState(False, "", 0, "switched off in the site file")


class Journal(Watcher):
    """Everything a run does, on disk. `say` is told where the record stops or goes on."""

    def __init__(
        self,
        config: Config,
        source: VoiceSource,
        latch: Latch,
        say: Callable[[str], None] = lambda text: None,
    ) -> None:
        run = run_name(config)
        began = Began(run, host_now(), time.time())
        says = about(config, source, latch, began)
        self._writer = Writer(
            journal_directory(config),
            site_slug(config),
            run,
            round(config.journal.max_mb * 1e6),
            lambda: {**says, "code_digest": code_digest()},
        )
        self.say = say
        self._governed: dict[str, Governed] = {}
        self._rates: dict[str, float] = {}
        self._look_due_s = 0.0
        self._stopped = False
        self._lost_before = 0

    def start(self) -> None:
        """From now on it writes."""
        self._writer.start()

    def close(self) -> None:
        """Writes what still waits."""
        self._writer.close()

    @property
    def state(self) -> JournalState:
        return self._writer.state

    def note(self, source: str, text: str) -> None:
        """For what happens outside the Engine, e.g. a stop button that was proven."""
        at_s = host_now()
        self._writer.put(at_s, pack_note(Noted(at_s, source, text)))

    # -- what it sees -------------------------------------------------------------------------

    def entered(self, entry: Entry) -> None:
        self._writer.put(entry.at_s, pack_entry(entry))
        if isinstance(entry, Stopped):
            self._writer.hurry()

    def recorded(self, at_s: HostS, record: Record) -> None:
        self._writer.put(at_s, record)
        if isinstance(record, InterlockChanged):
            self._writer.hurry()

    def wrote(self, at_s: HostS, controller: str, out: Outgoing) -> None:
        self._writer.put(at_s, pack_write(at_s, controller, out))

    def settled(self, at_s: HostS, engine: Engine) -> None:
        for name, line in engine.lines.items():
            governed = line.governed
            if self._governed.get(name) is not governed:
                self._governed[name] = governed
                self._put_sounding(at_s, name, governed)
        for name, session in engine.sessions.items():
            clock = session.clock
            if clock.known and self._rates.get(name) != clock.rate_hz:
                self._rates[name] = clock.rate_hz
                fix = ClockFix(
                    at_s, name, clock.tick_at(at_s), clock.rate_hz, clock.standard_error_ppm
                )
                self._writer.put(at_s, pack_fix(fix))
        if at_s >= self._look_due_s:
            self._look_due_s = at_s + LOOK_S
            self._look()

    def _put_sounding(self, at_s: HostS, coil: str, governed: Governed) -> None:
        voices = tuple((v.note, v.break_rate_hz, v.on_time_us) for v in governed.voices)
        meters = governed.meters
        sounding = Sounding(at_s, coil, voices, meters.scale, meters.mains_a)
        self._writer.put(at_s, pack_sounding(sounding))

    def _look(self) -> None:
        """Says once where the record stops, and where it goes on."""
        state = self._writer.state
        if state.problem and not self._stopped:
            self._stopped, self._lost_before = True, state.lost
            self.say(f"the record has stopped, the music goes on: {state.problem}")
        elif self._stopped and not state.problem:
            self._stopped = False
            missing = state.lost - self._lost_before
            what = f"{missing} things are" if missing else "nothing is"
            self.say(f"the record goes on in {state.path}; {what} missing in it")
