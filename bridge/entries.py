"""Everything that may happen to the Engine, as plain values with their times. Pure.

The shell enters the Engine through these alone, so whoever keeps every one of them, in order, can
put another Engine with the same configuration, source and latch through the very same night. Each
knows how it enters. `Collect` is one of them: asking an Engine what to write moves it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from bridge.clocks import HostS
from bridge.interlock import Cause
from bridge.link.outbox import Outgoing
from bridge.stops.condition import Condition

if TYPE_CHECKING:
    from bridge.engine import Act, Engine


class Midi(NamedTuple):
    """A MIDI message that arrived at `arrived_s` on the named input."""

    at_s: HostS
    input_name: str
    message: bytes
    arrived_s: HostS

    def enter(self, engine: Engine) -> None:
        engine.midi(self.at_s, self.input_name, self.message, self.arrived_s)


class SourceTold(NamedTuple):
    """The source was told something by its own command (`bang`, `commission`), not by MIDI."""

    at_s: HostS
    commands: tuple[tuple[str, tuple[float, ...]], ...]
    """What it was told: a name and numbers each, as `VoiceSource.take_commands` gives them."""

    def enter(self, engine: Engine) -> None:
        engine.source_changed(self.at_s)


class SourceHeard(NamedTuple):
    """What a show's source was told since the last entry, the audio's clock among it. It moves the
    source alone, and stands before the entry that first meets it so."""

    at_s: HostS
    commands: tuple[tuple[str, tuple[float, ...]], ...]
    """As in `SourceTold`."""

    def enter(self, engine: Engine) -> None:
        """Nothing: the source has been told already."""


class InputChange(NamedTuple):
    at_s: HostS
    input_name: str
    present: bool
    text: str

    def enter(self, engine: Engine) -> None:
        engine.input_changed(self.at_s, self.input_name, self.present, self.text)


class LinkUp(NamedTuple):
    at_s: HostS
    controller: str

    def enter(self, engine: Engine) -> None:
        engine.link_up(self.at_s, self.controller)


class LinkDown(NamedTuple):
    at_s: HostS
    controller: str
    problem: str

    def enter(self, engine: Engine) -> None:
        engine.link_down(self.at_s, self.controller, self.problem)


class Received(NamedTuple):
    """Bytes from a controller."""

    at_s: HostS
    controller: str
    data: bytes

    def enter(self, engine: Engine) -> None:
        engine.received(self.at_s, self.controller, self.data)


class BreakDone(NamedTuple):
    at_s: HostS
    controller: str

    def enter(self, engine: Engine) -> None:
        engine.break_done(self.at_s, self.controller)


class Acted(NamedTuple):
    """One of the operator's acts."""

    at_s: HostS
    act: Act
    by: str
    """Who did it: "terminal", "panel NAME", ..."""

    def enter(self, engine: Engine) -> None:
        engine.act(self.at_s, self.act)


class Stopped(NamedTuple):
    """A stop, or a fault that the shell found."""

    at_s: HostS
    cause: Cause
    origin: str
    detail: str
    by: str
    """Who did it; "" where nobody did."""

    def enter(self, engine: Engine) -> None:
        engine.trip(self.at_s, self.cause, self.origin, self.detail)


class StopInput(NamedTuple):
    """A stop beside the controllers' own was found so."""

    at_s: HostS
    name: str
    condition: Condition
    detail: str

    def enter(self, engine: Engine) -> None:
        engine.stop_input(self.at_s, self.name, self.condition, self.detail)


class Hold(NamedTuple):
    """The dead man's switch is held (said again while it is), or let go."""

    at_s: HostS
    held: bool

    def enter(self, engine: Engine) -> None:
        engine.hold(self.at_s, self.held)


class Proven(NamedTuple):
    """Which stops have no proof of today's date."""

    at_s: HostS
    unproven: tuple[str, ...]

    def enter(self, engine: Engine) -> None:
        engine.proven(self.at_s, self.unproven)


class Objection(NamedTuple):
    """Somebody objects to arming, or (found is "") no more."""

    at_s: HostS
    source: str
    found: str
    remedy: str

    def enter(self, engine: Engine) -> None:
        engine.objection(self.at_s, self.source, self.found, self.remedy)


class Advance(NamedTuple):
    """The timer: everything due by now."""

    at_s: HostS

    def enter(self, engine: Engine) -> None:
        engine.advance(self.at_s)


class Collect(NamedTuple):
    """The Engine was asked what a controller must be told."""

    at_s: HostS
    controller: str
    reported_unsent: int
    """Bytes that the operating system said it still held."""

    def enter(self, engine: Engine) -> Outgoing | None:
        return engine.collect(self.at_s, self.controller, self.reported_unsent)


Entry = (
    Midi
    | SourceTold
    | SourceHeard
    | InputChange
    | LinkUp
    | LinkDown
    | Received
    | BreakDone
    | Acted
    | Stopped
    | StopInput
    | Hold
    | Proven
    | Objection
    | Advance
    | Collect
)
