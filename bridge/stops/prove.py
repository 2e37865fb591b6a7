"""`coilwarden prove-stop`: every stop of a site pressed once, while armed, with nothing sounding.

Timed from when the stop reached this computer, or for a controller's own inputs from the last
status that still said armed, to the first status of every controller that says tripped: what the
operator cannot see, and an upper bound for what the board did.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from bridge import loop
from bridge.clocks import HostS, MusicS
from bridge.config import Config
from bridge.engine import Engine
from bridge.entries import Collect, Entry, Midi, Received, Stopped
from bridge.interlock import NOT_SAFE, Cause, State, Trip
from bridge.music.voices import VoiceAsk
from bridge.own_words import OwnWord, find
from bridge.records import InterlockChanged, Record, StopProven
from bridge.serve import run_site
from bridge.service import Service
from bridge.stops.attend import local_now
from bridge.stops.proofs import ProofStore
from bridge.stops.steps import StopStep, stop_steps
from bridge.watcher import Watcher
from firmware_protocol import messages as m
from firmware_protocol.catalogue import State as BoardState

WORDS = (OwnWord("where", "w"),)
MOST_MS = 250.0
"""Dark later than this is no proof: the project's bound for a host that is gone."""
INTRODUCTION = (
    "Mains OFF, bus measured empty, everybody behind the line. For each stop: arm (a, y), press "
    "it, release it, reset (r). Nothing is played meanwhile."
)


class Silence:
    """A source that never wants anything."""

    def __init__(self, config: Config) -> None:
        self._voices: dict[str, tuple[VoiceAsk, ...]] = {c.name: () for c in config.coil}

    def midi(self, now_s: MusicS, input_name: str, message: bytes) -> None: ...

    def input_lost(self, now_s: MusicS, input_name: str) -> None: ...

    def hush(self, now_s: MusicS) -> None: ...

    def tick(self, now_s: MusicS) -> None: ...

    def notes_held(self) -> bool:
        return False

    def moving(self) -> bool:
        return False

    def next_deadline_s(self) -> MusicS | None:
        return None

    def voices(self, now_s: MusicS) -> dict[str, tuple[VoiceAsk, ...]]:
        return self._voices

    def take_events(self) -> tuple[object, ...]:
        return ()

    def take_commands(self) -> tuple[tuple[str, tuple[float, ...]], ...]:
        return ()

    def do(self, command: str, numbers: tuple[float, ...]) -> None:
        raise ValueError(f"silence has no command {command!r}")


@dataclass(slots=True)
class _Pressed:
    trip: Trip
    by: str
    since_s: HostS
    dark_s: HostS | None = None


class StopWalk:
    """Which stops are still to be pressed, and what a trip proves. Pure."""

    def __init__(self, steps: Sequence[StopStep]) -> None:
        self._steps = steps
        self.done: dict[str, float] = {}
        """ms from the press to dark, by the stop's name."""

    @property
    def left(self) -> tuple[StopStep, ...]:
        return tuple(s for s in self._steps if s.name not in self.done)

    def describe(self) -> str:
        if not self.left:
            return f"every stop is proven today: q leaves. {NOT_SAFE}"
        following = self.left[0]
        count = f"{len(self.done) + 1} of {len(self._steps)}"
        return f"{count}, {following.name}: armed, then: {following.ask} {following.after}".rstrip()

    def fits(self, trip: Trip, by: str) -> StopStep | None:
        """The stop that this trip came from, if it is one still to be pressed."""
        for step in self.left:
            named = trip.origin == step.origin and (not step.by or step.by == by)
            if trip.cause in step.causes and named:
                return step
        return None

    def prove(self, step: StopStep, dark_after_ms: float) -> str:
        """ "" and it is proven; else why it is not."""
        if dark_after_ms > MOST_MS:
            return f"dark only after {dark_after_ms:.0f} ms, which is no proof (most {MOST_MS:.0f})"
        self.done[step.name] = dark_after_ms
        return ""


class StopTimer(Watcher):
    """Looks on while stops are pressed. `proven` gets what passed, `say` the rest."""

    def __init__(
        self,
        walk: StopWalk,
        proven: Callable[[StopStep, float], None],
        say: Callable[[str], None],
    ) -> None:
        self._walk = walk
        self._proven = proven
        self._say = say
        self._entry: Entry | None = None
        self._armed_seen_s: HostS | None = None
        self._pressed: _Pressed | None = None

    def entered(self, entry: Entry) -> None:
        if not isinstance(entry, Collect):  # what follows from an entry is no cause of it
            self._entry = entry

    def recorded(self, at_s: HostS, record: Record) -> None:
        if not isinstance(record, InterlockChanged):
            return
        change = record.change
        if change.trip is None or change.after is not State.TRIPPED:
            if self._pressed is not None and change.after is State.LOCKED:
                self._pressed = None
                self._say(self._walk.describe())
            return
        if change.before is not State.ARMED:
            self._say("that was a stop, but nothing was armed: reset, arm, and press it again")
            return
        since_s, by = at_s, ""
        match self._entry:
            case Midi(arrived_s=arrived_s):
                since_s = arrived_s
            case Stopped(at_s=stopped_s, by=who):
                since_s, by = stopped_s, who
            case Received() if self._armed_seen_s is not None:
                since_s = self._armed_seen_s
            case entry:
                since_s = at_s if entry is None else entry.at_s
        self._pressed = _Pressed(change.trip, by, since_s)

    def settled(self, at_s: HostS, engine: Engine) -> None:
        states = [s.status.state if s.status else None for s in engine.sessions.values()]
        if engine.interlock.state is State.ARMED and all(s == BoardState.ARMED for s in states):
            self._armed_seen_s = at_s
        pressed = self._pressed
        if pressed is None or any(s != BoardState.TRIPPED for s in states):
            return
        if pressed.dark_s is None:
            pressed.dark_s = at_s
        if pressed.trip.cause is Cause.ESTOP_OPEN and not _both_open(engine, pressed.trip.origin):
            return  # proven once both inputs have been seen open together
        self._pressed = None
        self._judge(pressed, (pressed.dark_s - pressed.since_s) * 1000)

    def _judge(self, pressed: _Pressed, dark_after_ms: float) -> None:
        step = self._walk.fits(pressed.trip, pressed.by)
        if step is None:
            where = f" ({pressed.trip.origin})" if pressed.trip.origin else ""
            self._say(
                f"that was cause {int(pressed.trip.cause)}{where}, not a stop still to be proven. "
                + self._walk.describe()
            )
            return
        problem = self._walk.prove(step, dark_after_ms)
        if problem:
            self._say(f"{step.name}: {problem}. {self._walk.describe()}")
            return
        self._proven(step, dark_after_ms)
        self._say(f"{step.after} Reset (r). ".lstrip() + f"Next: {self._walk.describe()}")


def _both_open(engine: Engine, controller: str) -> bool:
    status = engine.sessions[controller].status
    return status is not None and not status.inputs & (m.INPUT_ESTOP_A | m.INPUT_ESTOP_B)


def for_proof(config: Config) -> Config:
    """The site as its stops are proven: without asking for the proof, and held by no page."""
    site = config.site.model_copy(update={"require_todays_proof": False})
    switch = config.dead_man
    if switch is not None and switch.source == "panel":
        switch = None
    return config.model_copy(update={"site": site, "dead_man": switch})


def run(config: Config, *, plain: bool, now: Callable[[], datetime] = local_now) -> int:
    """The command. Exit 0: every stop is proven; 1: the walk ended before."""
    walk, store = StopWalk(stop_steps(config)), ProofStore(config)

    def prepare(service: Service, say: Callable[[str], None]) -> None:
        def proven(step: StopStep, dark_after_ms: float) -> None:
            try:
                store.add(step, now(), dark_after_ms)
            except OSError as error:
                del walk.done[step.name]
                say(f"{step.name}: worked, but {store.path} cannot be written: {error.strerror}")
                return
            record = StopProven(step.name, round(dark_after_ms, 1))
            service.watchers.recorded(service.engine.seen_s, record)

        service.watchers.add(StopTimer(walk, proven, say))

    site = for_proof(config)
    code = loop.run(
        run_site(
            site,
            Silence(site),
            plain=plain,
            extra=lambda said: walk.describe() if find(WORDS, said) == ("where", "") else None,
            own_words=WORDS,
            greeting=f"{INTRODUCTION} {walk.describe()}",
            prepare=prepare,
        )
    )
    return code or (1 if walk.left else 0)
