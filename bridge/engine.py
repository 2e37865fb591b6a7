"""Everything between a MIDI message and bytes for the controllers, as one pure object.

No clock, no port, no task: the daemon, the rehearsal and the tests drive the same Engine with
explicit times. The shell feeds it (`midi`, `received`, `act`, ...), calls `advance` at the latest
at `next_deadline_s`, and after each call asks `collect` for each controller.

Order of every entry: first the stall check (a host that thaws says nothing before it has tripped
itself), then the work. A trip stops every session; nothing here arms or resets by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from enum import Enum

from bridge.checks import STATUS_FRESH_S, Check, controller_checks, site_checks
from bridge.clocks import HostS
from bridge.coil_line import CoilLine
from bridge.config import Config
from bridge.governor.limits import guard_limits
from bridge.governor.mains import budget_of
from bridge.interlock import Cause, Interlock, Latch, State
from bridge.link import session_events as ev
from bridge.link.clock import OUT_OF_TOLERANCE_PPM
from bridge.link.greeting import Phase
from bridge.link.outbox import Outgoing
from bridge.link.renewal import LEASE_S, REFRESH_S
from bridge.link.session import Session
from bridge.link.slots import MOTION_S
from bridge.midi.stop import is_stop
from bridge.music.instrument import live_instrument
from bridge.performance import Performance
from bridge.permission_inputs import PermissionInputs, Reason
from bridge.records import (
    ArmDenied,
    HeldBackChanged,
    InputChanged,
    InterlockChanged,
    LatchChanged,
    LinkChanged,
    Record,
    Remark,
    ResetDenied,
)
from bridge.reset import Resetting, lasting_causes
from bridge.source import ScoreFeed, VoiceSource
from bridge.stops.condition import Condition
from bridge.timeline import Timeline
from bridge.turns import Turns
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import StopSource

STALL_S = 0.2
"""A host that was not here for this long trips itself."""
ARM_CONFIRM_S = 0.5
WAKE_S = 0.02
"""While permission is held the engine is advanced at least this often."""
GUARD_REFUSALS_TO_TRIP = 8
BOARD_CAUSES = frozenset(int(c) for c in BoardCause if c is not BoardCause.NONE)
"""What a board may give as its cause; the host's own numbers are not among them."""


class Act(Enum):
    """The operator's acts. Stops come through `trip`, with their cause."""

    ARM = "arm"
    DISARM = "disarm"
    HUSH = "hush"
    RESET = "reset"


class Engine:
    """The site in motion."""

    def __init__(self, config: Config, source: VoiceSource, latch: Latch) -> None:
        self.config = config
        self.source = source
        self.interlock = Interlock(latch)
        ahead_s = source.ahead_s if isinstance(source, ScoreFeed) else 0.0
        self.timeline = Timeline(config, ahead_s)
        self.midi_messages = dict.fromkeys((i.name for i in config.input), 0)
        self._midi_stops = {i.name: (i.stop_controller, i.stop_note) for i in config.input}
        self.permission_inputs = PermissionInputs(config)
        self.sessions: dict[str, Session] = {}
        self.lines: dict[str, CoilLine] = {}
        early_s = self.timeline.early_s
        self.mains = budget_of(
            config, lease_s=LEASE_S, refresh_s=REFRESH_S, motion_s=MOTION_S, early_s=early_s
        )
        """What the coils share of the site's mains; None: nothing is known of it."""
        shares = self.mains.shares if self.mains else {}
        for controller in config.controller:
            coils = [c for c in config.coil if c.controller == controller.name]
            limits = {c.output - 1: guard_limits(c) for c in coils}
            session = Session(
                controller.name,
                int(controller.board_id, 16),
                controller.baud,
                limits,
                link_jitter_s=controller.link_jitter_ms / 1000,
            )
            self.sessions[controller.name] = session
            for coil in coils:
                offset = self.timeline.offsets_s.get(coil.name, 0.0)
                self.lines[coil.name] = CoilLine(
                    coil,
                    controller,
                    session,
                    offset,
                    shares.get(coil.name),
                    early_s=early_s,
                    live_priority=config.music.live_priority,
                )
        self._turns = {
            name: Turns(session, [line for line in self.lines.values() if line.session is session])
            for name, session in self.sessions.items()
        }
        self._performance = Performance(
            source,
            self.timeline,
            self.lines,
            self.interlock,
            lambda text: self._records.append(Remark("music", text)),
            live=live_instrument(config) if early_s > 0 else None,
        )
        self._resetting = Resetting(self.sessions)
        self._records: list[Record] = []
        self._seen_s = HostS(-math.inf)
        self._arming_until_s = HostS(math.inf)
        self._lost_inputs: set[str] = set()
        if self.interlock.state is State.TRIPPED:
            self._records.append(LatchChanged(self.interlock.latch))

    # -- what happens to the engine -----------------------------------------------------------

    def midi(self, now_s: HostS, input_name: str, message: bytes, arrived_s: HostS) -> None:
        """A MIDI message that arrived at `arrived_s` (≤ now_s) on the named input."""
        self._enter(now_s)
        self.midi_messages[input_name] = self.midi_messages.get(input_name, 0) + 1
        if is_stop(message, *self._midi_stops.get(input_name, (None, None))):
            self._trip(now_s, Cause.MIDI_STOP, input_name)
            return
        self.permission_inputs.midi(now_s, input_name, message)
        self._attend(now_s)
        self._performance.midi(now_s, input_name, message, arrived_s)

    def source_changed(self, now_s: HostS) -> None:
        """The source was told something by its own command, not through `midi`."""
        self._enter(now_s)
        self._performance.changed = True

    def input_changed(self, now_s: HostS, input_name: str, present: bool, text: str) -> None:
        """An input came or went. A lost one releases its notes, or trips where it is set to."""
        self._enter(now_s)
        self._records.append(InputChanged(input_name, text))
        if present:
            self._lost_inputs.discard(input_name)
            return
        self._lost_inputs.add(input_name)
        self._performance.input_lost(now_s, input_name)
        self.permission_inputs.input_lost(now_s, input_name)
        self._attend(now_s)
        wants_trip = any(i.name == input_name and i.on_loss == "trip" for i in self.config.input)
        if wants_trip and self.interlock.state in (State.ARMING, State.ARMED):
            self._trip(now_s, Cause.INPUT_LOST, input_name)

    def stop_input(self, now_s: HostS, name: str, condition: Condition, detail: str) -> None:
        """A stop beside the controllers' own is found so (each press anew, each change once)."""
        self._enter(now_s)
        held = self.interlock.state in (State.ARMING, State.ARMED)
        why = self.permission_inputs.stop_input(now_s, name, condition, detail, permitted=held)
        self._records.append(Remark(f"stop {name}", f"{condition.value}: {detail}"))
        self._trip_for(now_s, why)
        self._attend(now_s)

    def hold(self, now_s: HostS, held: bool) -> None:
        """The dead man's switch is held (said again while it is), or let go."""
        self._enter(now_s)
        self.permission_inputs.hold(now_s, held)
        self._attend(now_s)

    def proven(self, now_s: HostS, unproven: tuple[str, ...]) -> None:
        """Which stops have no proof of today's date."""
        self._enter(now_s)
        self.permission_inputs.proven(unproven)

    def objection(self, now_s: HostS, source: str, found: str, remedy: str) -> None:
        """Somebody objects to arming, or (found is "") no more."""
        self._enter(now_s)
        self.permission_inputs.objection(source, found, remedy)

    def link_up(self, now_s: HostS, controller: str) -> None:
        self._enter(now_s)
        self.sessions[controller].link_up(now_s)
        self._records.append(LinkChanged(controller, "port open"))

    def link_down(self, now_s: HostS, controller: str, problem: str) -> None:
        """The port closed or cannot be opened. While permission is held that is a trip."""
        self._enter(now_s)
        session = self.sessions[controller]
        if session.phase is not Phase.DOWN or session.facts(now_s).link_problem != problem:
            self._records.append(LinkChanged(controller, problem))
        session.link_down(problem)
        if self.interlock.state in (State.ARMING, State.ARMED):
            self._trip(now_s, Cause.CONTROLLER_LOST, controller, problem)

    def received(self, now_s: HostS, controller: str, data: bytes) -> None:
        """Bytes from a controller."""
        self._enter(now_s)
        session = self.sessions[controller]
        session.receive(now_s, data)
        self._take_session_events(now_s, session)

    def break_done(self, now_s: HostS, controller: str) -> None:
        """The line that `collect` had held low is free again."""
        self._enter(now_s)
        self.sessions[controller].break_done(now_s)

    def act(self, now_s: HostS, act: Act) -> None:
        """One of the operator's acts. A denied one leaves a record that says why."""
        self._enter(now_s)
        match act:
            case Act.ARM:
                self._arm(now_s)
            case Act.DISARM:
                self._disarm(now_s)
            case Act.HUSH:
                self._performance.hush(now_s)
            case Act.RESET:
                self._reset(now_s)

    def trip(self, now_s: HostS, cause: Cause, origin: str = "", detail: str = "") -> None:
        """Stops everything, at once, from whatever state. Never refused."""
        self._seen_s = now_s
        self._trip(now_s, cause, origin, detail)

    def busy_until_s(self, now_s: HostS) -> HostS:
        """While armed, with every line busy and nothing to report: when the first has room again.
        Until then `collect` has nothing to give. Otherwise `now_s`."""
        if self._records or not self.interlock.may_fire or self.timeline.scheduled:
            return now_s
        return max(now_s, min(turns.room_at_s for turns in self._turns.values()))

    @property
    def seen_s(self) -> HostS:
        """When the engine was entered last."""
        return self._seen_s

    def is_tripped_by(self, cause: Cause) -> bool:
        """Tripped, and this is the first cause or among the later ones."""
        trip = self.interlock.current_trip
        return trip is not None and cause in {trip.cause, *(c for c, _ in trip.later)}

    # -- time ---------------------------------------------------------------------------------

    def advance(self, now_s: HostS) -> None:
        """Everything due by `now_s`."""
        self._enter(now_s)
        for session in self.sessions.values():
            session.advance(now_s)
            self._take_session_events(now_s, session)
        self._supervise(now_s)
        self._performance.advance(now_s)

    def next_deadline_s(self) -> HostS:
        """When `advance` (and then `collect`) must be called though nothing happens."""
        due = min(s.next_deadline_s() for s in self.sessions.values())
        due = min(due, self._arming_until_s, self._resetting.until_s)
        due = min(due, self._performance.next_deadline_s())
        if self.interlock.state in (State.ARMING, State.ARMED):
            due = min(due, HostS(self._seen_s + WAKE_S))
            due = min(due, self.permission_inputs.next_s(self._seen_s))
            for name, turns in self._turns.items():
                if self.sessions[name].session_number is None:
                    continue
                if self._performance.changed:
                    due = min(due, turns.room_at_s)
                due = min(due, turns.due_s())
        return due

    def collect(self, now_s: HostS, controller: str, reported_unsent: int) -> Outgoing | None:
        """What must be written to a controller now, or None.

        `reported_unsent`: bytes the operating system says it still holds (0 where it cannot say).
        """
        if self._has_stalled(now_s):  # frozen between entry and here
            self._enter(now_s)
        session = self.sessions[controller]
        out = session.collect(now_s, reported_unsent)
        if session.session_number is None or self.interlock.state not in (
            State.ARMING,
            State.ARMED,
        ):
            return out
        # What fell due since is decided first: a refresh said now must not undo it.
        self._performance.run(now_s)
        turns = self._turns[controller]
        if not turns.has_room(now_s, reported_unsent):
            return out
        self._performance.bring_up(now_s)
        scheduled_s = self.timeline.now_s(now_s) if self.timeline.scheduled else None
        frames = turns.frames(now_s, reported_unsent, scheduled_s=scheduled_s)
        if not frames:
            return out
        return replace(out, data=out.data + frames) if out else Outgoing(False, frames, False)

    # -- what others may look at --------------------------------------------------------------

    def checks(self, now_s: HostS) -> list[Check]:
        """The arming list."""
        found = site_checks(
            notes_held=self._performance.notes_held(),
            latched=self.interlock.state is State.TRIPPED,
        )
        for session in self.sessions.values():
            found += controller_checks(session.facts(now_s))
        return found + self.permission_inputs.checks(now_s)

    def take_records(self) -> Sequence[Record]:
        records, self._records = self._records, []
        for name, line in self.lines.items():
            if line.held_back_changes:
                records += [HeldBackChanged(name, held) for held in line.held_back_changes]
                line.held_back_changes.clear()
        return records

    # -- inside -------------------------------------------------------------------------------

    def _has_stalled(self, now_s: HostS) -> bool:
        held = self.interlock.state in (State.ARMING, State.ARMED)
        return held and now_s - self._seen_s > STALL_S

    def _enter(self, now_s: HostS) -> None:
        has_stalled, stalled = self._has_stalled(now_s), now_s - self._seen_s
        self._seen_s = now_s
        if has_stalled:
            self._trip(now_s, Cause.HOST_STALLED, "", f"for {stalled * 1000:.0f} ms")

    def _attend(self, now_s: HostS) -> None:
        """The dead man's switch: let go, nothing sounds; for too long, it is a trip."""
        muted = self.permission_inputs.muted(now_s)
        if muted != self._performance.muted:
            self._performance.mute(now_s, muted)
            self._records.append(Remark("dead man's switch", "let go: silent" if muted else "held"))
        if self.interlock.state in (State.ARMING, State.ARMED):
            self._trip_for(now_s, self.permission_inputs.let_go(now_s))

    def _trip_for(self, now_s: HostS, why: Reason | None) -> None:
        if why is not None:
            self._trip(now_s, *why)

    def _arm(self, now_s: HostS) -> None:
        failed = [c for c in self.checks(now_s) if not c.passed]
        if failed:
            self._records.append(ArmDenied(tuple(f"{c.name}: {c.found}" for c in failed)))
        if (change := self.interlock.arm(not failed)) is None:
            return
        self._note(InterlockChanged(change))
        self._arming_until_s = HostS(now_s + ARM_CONFIRM_S)
        for session in self.sessions.values():
            session.request_arm(now_s)
        self._performance.begin(now_s)

    def _disarm(self, now_s: HostS) -> None:
        if (change := self.interlock.disarm()) is None:
            return
        self._arming_until_s = HostS(math.inf)
        for session in self.sessions.values():
            session.disarm(now_s)
        self._note(InterlockChanged(change))
        self._performance.darken(now_s)

    def _trip(self, now_s: HostS, cause: Cause, origin: str, detail: str = "") -> None:
        source = {
            Cause.OPERATOR_STOP: StopSource.OPERATOR,
            Cause.STOP_BUTTON: StopSource.OPERATOR,
            Cause.MIDI_STOP: StopSource.MIDI,
            Cause.NETWORK_STOP: StopSource.NETWORK,
            Cause.SIGNAL_STOP: StopSource.SIGNAL,
        }.get(cause, StopSource.FAULT if cause >= 32 else StopSource.OTHER_CONTROLLER)
        change = self.interlock.trip(cause, origin, detail)
        self._arming_until_s = HostS(math.inf)
        self._resetting.overtaken()
        for session in self.sessions.values():
            session.stop(now_s, source)
        if change is not None:
            self._note(InterlockChanged(change))
        self._performance.darken(now_s)  # last: it is arithmetic, and may fail

    def _reset(self, now_s: HostS) -> None:
        trip = self.interlock.current_trip
        lasting = lasting_causes(now_s, trip, self.sessions, self._lost_inputs)
        lasting += self.permission_inputs.lasting(trip)
        if self.interlock.state in (State.ARMING, State.ARMED) or lasting:
            self._records.append(ResetDenied(tuple(lasting) or ("armed: disarm or stop instead",)))
            return
        self._resetting.begin(now_s)
        for session in self.sessions.values():
            session.request_reset(now_s)
            self._take_session_events(now_s, session)
            if not self._resetting.active:  # refused: no other board is asked any more
                return
        self._finish_reset()

    def _finish_reset(self) -> None:
        if not self._resetting.take_finished():
            return
        if (change := self.interlock.reset(no_cause_lasts=True)) is not None:
            self._note(InterlockChanged(change))

    def _take_session_events(self, now_s: HostS, session: Session) -> None:
        for event in session.take_events():
            self._take_session_event(now_s, session, event)

    def _take_session_event(self, now_s: HostS, session: Session, event: ev.SessionEvent) -> None:
        name = session.name
        match event:
            case ev.ArmConfirmed():
                self._arm_confirmed(now_s)
            case ev.HornEnded():
                self._horn_ended(now_s)
            case ev.ArmRefused(reason):
                if self.interlock.state is State.ARMING:
                    self._trip(now_s, Cause.ARMING_FAILED, name, f"refused: {reason}")
            case ev.ResetDone():
                self._resetting.confirmed(name)
                self._finish_reset()
            case ev.ResetRefused(reason):
                self._records.append(ResetDenied((f"{name}: {reason}",)))
                self._resetting.give_up()
            case ev.BoardTripped(cause, number, was_armed):
                self._board_tripped(now_s, name, cause, number, was_armed)
            case ev.BoardRestarted(was_armed):
                self._records.append(LinkChanged(name, "the controller restarted"))
                if was_armed or self.interlock.state in (State.ARMING, State.ARMED):
                    self._trip(now_s, Cause.CONTROLLER_RESTARTED, name)
            case ev.StopConfirmed():
                self._records.append(Remark(name, "stop confirmed"))
            case ev.Disagrees(text):
                self._trip(now_s, Cause.CONTROLLER_DISAGREES, name, text)
            case ev.GuardRefused(count, last_reason):
                self._records.append(Remark(name, f"guard refused {count}, reason {last_reason}"))
                if count >= GUARD_REFUSALS_TO_TRIP and self.interlock.may_fire:
                    self._trip(now_s, Cause.GUARD_REFUSED, name, f"{count} pulses")
            case ev.FrameRefused(type_code, reason, _):
                self._records.append(Remark(name, f"refused a {type_code:#04x} frame: {reason}"))

    def _arm_confirmed(self, now_s: HostS) -> None:
        if self.interlock.state is not State.ARMING:
            return
        if all(s.session_number is not None for s in self.sessions.values()):
            horns = [s.setup.identity.horn_ms for s in self.sessions.values() if s.setup.identity]
            horn_s = max(horns, default=0) / 1000
            self._arming_until_s = HostS(now_s + horn_s + ARM_CONFIRM_S)

    def _horn_ended(self, now_s: HostS) -> None:
        if self.interlock.state is not State.ARMING:
            return
        if not all(s.firing for s in self.sessions.values()):
            return
        if (change := self.interlock.confirmed()) is not None:
            self._arming_until_s = HostS(math.inf)
            self._performance.may_sound(now_s)
            self._note(InterlockChanged(change))
            for session in self.sessions.values():
                session.clock.slew(now_s, jump=True)

    def _board_tripped(
        self, now_s: HostS, name: str, cause: int, number: int, was_armed: bool
    ) -> None:
        known = Cause(cause) if cause in BOARD_CAUSES else Cause.INTERNAL_FAULT
        if self.interlock.state is State.TRIPPED and known is Cause.HOST_STOP:
            return
        detail = f"controller's trip {number}"
        if cause not in BOARD_CAUSES:
            detail += f", cause {cause}, which this host does not know"
        detail += "" if was_armed else ", remembered or unarmed"
        self._trip(now_s, known, name, detail)

    def _supervise(self, now_s: HostS) -> None:
        self._attend(now_s)
        if now_s >= self._resetting.until_s:
            waiting = self._resetting.waiting
            self._resetting.give_up()
            self._records.append(ResetDenied((f"no answer from {waiting}",)))
        if self.interlock.state not in (State.ARMING, State.ARMED):
            return
        if now_s >= self._arming_until_s:
            slow = [n for n, s in self.sessions.items() if not s.firing]
            self._trip(now_s, Cause.ARMING_FAILED, slow[0] if slow else "", "no confirmation")
            return
        for name, session in self.sessions.items():
            if (age := session.status_age_s(now_s)) > STATUS_FRESH_S:
                self._trip(now_s, Cause.STATUS_STALE, name, f"{age * 1000:.0f} ms")
                return
            if abs(session.clock.error_ppm) > OUT_OF_TOLERANCE_PPM or session.clock_jumped:
                self._trip(now_s, Cause.CLOCK_OUT, name, f"{session.clock.error_ppm:+.0f} ppm")
                return
        idle = self._performance.idle_s(now_s)
        if self.interlock.may_fire and idle > self.config.site.idle_disarm_s:
            self._records.append(Remark("interlock", f"idle for {idle:.0f} s: disarmed"))
            self._disarm(now_s)

    def _note(self, record: InterlockChanged) -> None:
        self._records.append(LatchChanged(self.interlock.latch))
        self._records.append(record)
