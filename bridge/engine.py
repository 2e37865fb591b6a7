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
from enum import Enum

from bridge.checks import STATUS_FRESH_S, Check, controller_checks, site_checks
from bridge.coil_line import CoilLine
from bridge.config import Config
from bridge.governor.limits import guard_limits
from bridge.governor.mains_budget import budget_of
from bridge.interlock import Cause, Interlock, Latch, State
from bridge.link import session_events as ev
from bridge.link.clock import TOLERANCE_PPM
from bridge.link.session import LEASE_S, REFRESH_S, Outgoing, Phase, Session
from bridge.link.slots import MOTION_S
from bridge.midi.stop import is_stop
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
from bridge.source import VoiceSource
from bridge.timeline import Timeline
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import StopSource

STALL_S = 0.2
"""A host that was not here for this long trips itself."""
ARM_CONFIRM_S = 0.5
RESET_WAIT_S = 0.7
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
        self.timeline = Timeline(config)
        self.midi_messages = dict.fromkeys((i.name for i in config.input), 0)
        self._stop_controllers = {
            i.name: i.stop_controller for i in config.input if i.stop_controller is not None
        }
        self.sessions: dict[str, Session] = {}
        self.lines: dict[str, CoilLine] = {}
        self.mains = budget_of(config, lease_s=LEASE_S, refresh_s=REFRESH_S, motion_s=MOTION_S)
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
                    coil, controller, session, offset, shares.get(coil.name)
                )
        self._lines_of = {
            name: [line for line in self.lines.values() if line.session is session]
            for name, session in self.sessions.items()
        }
        self._next_line = dict.fromkeys(self.sessions, 0)
        self._room_at = dict.fromkeys(self.sessions, math.inf)
        self._records: list[Record] = []
        self._seen_s = -math.inf
        self._motion_due = math.inf
        self._changed = False
        """What the source wants has changed and the lines have not been asked yet: that is done
        when there is room on a line, so that a flood costs no more than what can be said."""
        self._arming_until = math.inf
        self._resetting: set[str] = set()
        self._reset_until = math.inf
        self._last_note_s = -math.inf
        self._lost_inputs: set[str] = set()
        if self.interlock.state is State.TRIPPED:
            self._records.append(LatchChanged(self.interlock.latch))

    # -- what happens to the engine -----------------------------------------------------------

    def midi(self, now_s: float, input_name: str, message: bytes, arrived_s: float) -> None:
        """A MIDI message that arrived at `arrived_s` (≤ now_s) on the named input."""
        self._enter(now_s)
        self.midi_messages[input_name] = self.midi_messages.get(input_name, 0) + 1
        if is_stop(message, self._stop_controllers.get(input_name)):
            self._trip(now_s, Cause.MIDI_STOP, input_name)
            return
        if self.timeline.scheduled:
            self.timeline.put(arrived_s, input_name, message)
            self._run_timeline(now_s)
        else:
            self.source.midi(now_s, input_name, message)
            self._changed = True

    def source_changed(self, now_s: float) -> None:
        """The source was told something by its own command, not through `midi`."""
        self._enter(now_s)
        self._changed = True

    def input_changed(self, now_s: float, input_name: str, present: bool, text: str) -> None:
        """An input came or went. A lost one releases its notes, or trips where it is set to."""
        self._enter(now_s)
        self._records.append(InputChanged(input_name, text))
        if present:
            self._lost_inputs.discard(input_name)
            return
        self._lost_inputs.add(input_name)
        self.timeline.drop_input(input_name)
        self.source.input_lost(self.timeline.now_s(now_s), input_name)
        self._changed = True
        wants_trip = any(i.name == input_name and i.on_loss == "trip" for i in self.config.input)
        if wants_trip and self.interlock.state in (State.ARMING, State.ARMED):
            self._trip(now_s, Cause.INPUT_LOST, input_name)

    def link_up(self, now_s: float, controller: str) -> None:
        self._enter(now_s)
        self.sessions[controller].link_up(now_s)
        self._records.append(LinkChanged(controller, "port open"))

    def link_down(self, now_s: float, controller: str, problem: str) -> None:
        """The port closed or cannot be opened. While permission is held that is a trip."""
        self._enter(now_s)
        session = self.sessions[controller]
        if session.phase is not Phase.DOWN or session.facts(now_s).link_problem != problem:
            self._records.append(LinkChanged(controller, problem))
        session.link_down(problem)
        if self.interlock.state in (State.ARMING, State.ARMED):
            self._trip(now_s, Cause.CONTROLLER_LOST, controller, problem)

    def received(self, now_s: float, controller: str, data: bytes) -> None:
        """Bytes from a controller."""
        self._enter(now_s)
        session = self.sessions[controller]
        session.receive(now_s, data)
        self._take_session_events(now_s, session)

    def break_done(self, now_s: float, controller: str) -> None:
        """The line that `collect` had held low is free again."""
        self._enter(now_s)
        self.sessions[controller].break_done(now_s)

    def act(self, now_s: float, act: Act) -> None:
        """One of the operator's acts. A denied one leaves a record that says why."""
        self._enter(now_s)
        match act:
            case Act.ARM:
                self._arm(now_s)
            case Act.DISARM:
                self._disarm(now_s)
            case Act.HUSH:
                self.timeline.drop_notes()
                self.source.hush(self.timeline.now_s(now_s))
                for line in self.lines.values():
                    line.hush(now_s)
            case Act.RESET:
                self._reset(now_s)

    def trip(self, now_s: float, cause: Cause, origin: str = "", detail: str = "") -> None:
        """Stops everything, at once, from whatever state. Never refused."""
        self._seen_s = now_s
        self._trip(now_s, cause, origin, detail)

    def busy_until_s(self, now_s: float) -> float:
        """While armed, with every line busy and nothing to report: when the first has room again.
        Until then `collect` has nothing to give. Otherwise `now_s`."""
        if self._records or not self.interlock.may_fire or self.timeline.scheduled:
            return now_s
        return max(now_s, min(self._room_at.values()))

    def is_tripped_by(self, cause: Cause) -> bool:
        """Tripped, and this is the first cause or among the later ones."""
        trip = self.interlock.current_trip
        return trip is not None and cause in {trip.cause, *(c for c, _ in trip.later)}

    # -- time ---------------------------------------------------------------------------------

    def advance(self, now_s: float) -> None:
        """Everything due by `now_s`."""
        self._enter(now_s)
        for session in self.sessions.values():
            session.advance(now_s)
            self._take_session_events(now_s, session)
        self._supervise(now_s)
        if self.timeline.scheduled:
            self._run_timeline(now_s)
        self._move(self.timeline.now_s(now_s))

    def next_deadline_s(self) -> float:
        """When `advance` (and then `collect`) must be called though nothing happens."""
        due = min(s.next_deadline_s() for s in self.sessions.values())
        due = min(due, self._arming_until, self._reset_until, self.timeline.next_s())
        lead = self.timeline.lead_s
        due = min(due, self._motion_due - lead)
        if (deadline := self.source.next_deadline_s()) is not None:
            due = min(due, deadline - lead)
        if self.interlock.state in (State.ARMING, State.ARMED):
            due = min(due, self._seen_s + WAKE_S)
            for name, lines in self._lines_of.items():
                if self.sessions[name].session_number is None:
                    continue
                if self._changed:
                    due = min(due, self._room_at[name])
                for line in lines:
                    due = min(due, max(line.due_s(), self._room_at[name]))
        return due

    def collect(self, now_s: float, controller: str, reported_unsent: int) -> Outgoing | None:
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
        if self.timeline.scheduled:
            # What fell due since is decided first: a refresh said now must not undo it.
            self._run_timeline(now_s)
        discard, line_break = (out.discard, out.line_break) if out else (False, False)
        data = out.data if out else b""
        lines = self._lines_of[controller]
        scheduled_s = self.timeline.now_s(now_s) if self.timeline.scheduled else None
        first = self._next_line[controller]
        self._room_at[controller] = room_at = session.room_at(now_s, reported_unsent)
        if room_at > now_s:
            return self._outgoing(discard, data, line_break)
        if self._changed:
            self._ask(self.timeline.now_s(now_s))
        # A frame for each line in turn, so that a flood on one coil starves no other.
        index, idle = first, 0
        while idle < len(lines):
            line = lines[index]
            frame = None
            if line.due_s() <= now_s:
                room_at = session.room_at(now_s, reported_unsent)
                if room_at > now_s:
                    self._room_at[controller] = room_at
                    break
                frame = line.frame(now_s, scheduled_s=scheduled_s)
            index = (index + 1) % len(lines)
            if frame is None:
                idle += 1
                continue
            idle = 0
            session.wrote(now_s, len(frame))
            reported_unsent += len(frame)
            data += frame
        self._next_line[controller] = index
        return self._outgoing(discard, data, line_break)

    @staticmethod
    def _outgoing(discard: bool, data: bytes, line_break: bool) -> Outgoing | None:
        return Outgoing(discard, data, line_break) if data or discard or line_break else None

    # -- what others may look at --------------------------------------------------------------

    def checks(self, now_s: float) -> list[Check]:
        """The arming list."""
        found = site_checks(
            notes_held=self.source.notes_held(),
            latched=self.interlock.state is State.TRIPPED,
        )
        for session in self.sessions.values():
            found += controller_checks(session.facts(now_s))
        return found

    def take_records(self) -> Sequence[Record]:
        records, self._records = self._records, []
        for name, line in self.lines.items():
            if line.held_back_changes:
                records += [HeldBackChanged(name, held) for held in line.held_back_changes]
                line.held_back_changes.clear()
        return records

    # -- inside -------------------------------------------------------------------------------

    def _has_stalled(self, now_s: float) -> bool:
        held = self.interlock.state in (State.ARMING, State.ARMED)
        return held and now_s - self._seen_s > STALL_S

    def _enter(self, now_s: float) -> None:
        has_stalled, stalled = self._has_stalled(now_s), now_s - self._seen_s
        self._seen_s = now_s
        if has_stalled:
            self._trip(now_s, Cause.HOST_STALLED, "", f"for {stalled * 1000:.0f} ms")

    def _ask(self, at_s: float) -> None:
        self._changed = False
        if self.interlock.may_fire:
            voices = self.source.voices(at_s)
            sounding = False
            for name, line in self.lines.items():
                asks = voices[name]
                line.ask(asks)
                sounding = sounding or bool(asks)
            if sounding:
                self._last_note_s = at_s
        if self._motion_due == math.inf and self.source.moving():
            self._motion_due = at_s + MOTION_S
        for event in self.source.take_events():
            self._records.append(Remark("music", str(event)))

    def _run_timeline(self, now_s: float) -> None:
        while (group := self.timeline.due(now_s)) is not None:
            at_s, events = group
            if self._motion_due < at_s:
                self._move(at_s)
            for name, message in events:
                self.source.midi(at_s, name, message)
            self._ask(at_s)
            if self.interlock.may_fire:
                for line in self.lines.values():
                    line.plan(at_s)

    def _move(self, at_s: float) -> None:
        deadline = self.source.next_deadline_s()
        if at_s >= self._motion_due or (deadline is not None and at_s >= deadline):
            self._motion_due = math.inf  # a tick that fails must not be due again at once
            self.source.tick(at_s)
            self._motion_due = at_s + MOTION_S if self.source.moving() else math.inf
            self._changed = True
        elif self._motion_due == math.inf and self._changed and self.source.moving():
            self._motion_due = at_s + MOTION_S
        if self._changed and (self.timeline.scheduled or not self.interlock.may_fire):
            self._ask(at_s)
        if self.timeline.scheduled and self.interlock.may_fire:
            for line in self.lines.values():
                line.plan(at_s)

    def _arm(self, now_s: float) -> None:
        failed = [c for c in self.checks(now_s) if not c.passed]
        if failed:
            self._records.append(ArmDenied(tuple(f"{c.name}: {c.found}" for c in failed)))
        if (change := self.interlock.arm(not failed)) is None:
            return
        self._note(InterlockChanged(change))
        self._arming_until = now_s + ARM_CONFIRM_S
        for session in self.sessions.values():
            session.request_arm(now_s)
        for line in self.lines.values():
            line.begin(self.timeline.now_s(now_s))

    def _disarm(self, now_s: float) -> None:
        if (change := self.interlock.disarm()) is None:
            return
        self._arming_until = math.inf
        for session in self.sessions.values():
            session.disarm(now_s)
        self._note(InterlockChanged(change))
        self._darken(now_s)

    def _trip(self, now_s: float, cause: Cause, origin: str, detail: str = "") -> None:
        source = {
            Cause.OPERATOR_STOP: StopSource.OPERATOR,
            Cause.MIDI_STOP: StopSource.MIDI,
            Cause.NETWORK_STOP: StopSource.NETWORK,
            Cause.SIGNAL_STOP: StopSource.SIGNAL,
        }.get(cause, StopSource.FAULT if cause >= 32 else StopSource.OTHER_CONTROLLER)
        change = self.interlock.trip(cause, origin, detail)
        self._arming_until = self._reset_until = math.inf
        self._resetting.clear()
        for session in self.sessions.values():
            session.stop(now_s, source)
        if change is not None:
            self._note(InterlockChanged(change))
        self._darken(now_s)  # last: it is arithmetic, and may fail

    def _darken(self, now_s: float) -> None:
        """Tells every line that its controller is dark; one that fails keeps no other back."""
        failure: Exception | None = None
        for line in self.lines.values():
            try:
                line.silence(self.timeline.now_s(now_s))
            except Exception as error:
                failure = error
        if failure is not None:
            raise failure

    def _reset(self, now_s: float) -> None:
        lasting = self._lasting_causes(now_s)
        if self.interlock.state in (State.ARMING, State.ARMED) or lasting:
            self._records.append(ResetDenied(tuple(lasting) or ("armed: disarm or stop instead",)))
            return
        self._resetting = set(self.sessions)
        self._reset_until = now_s + RESET_WAIT_S
        for session in self.sessions.values():
            session.request_reset(now_s)
            self._take_session_events(now_s, session)
            if self._reset_until == math.inf:  # refused: no other board is asked any more
                return
        self._finish_reset(now_s)

    def _lasting_causes(self, now_s: float) -> list[str]:
        """What must go before a reset: every controller must be there to be looked at."""
        lasting = [
            f"{name} does not answer"
            for name, session in self.sessions.items()
            if session.phase is not Phase.READY or session.status_age_s(now_s) > STATUS_FRESH_S
        ]
        trip = self.interlock.current_trip
        for cause, origin in () if trip is None else ((trip.cause, trip.origin), *trip.later):
            if cause is Cause.INPUT_LOST and origin in self._lost_inputs:
                lasting.append(f"input {origin} is still lost")
            session = self.sessions.get(origin)
            if cause is Cause.CLOCK_OUT and session is not None and session.clock.problem():
                lasting.append(f"{origin}: clock {session.clock.problem()}")
        return lasting

    def _give_up_reset(self) -> None:
        self._resetting.clear()
        self._reset_until = math.inf
        for session in self.sessions.values():
            session.cancel_reset()

    def _finish_reset(self, now_s: float) -> None:
        if self._reset_until == math.inf or self._resetting:
            return
        self._reset_until = math.inf
        if (change := self.interlock.reset(no_cause_lasts=True)) is not None:
            self._note(InterlockChanged(change))

    def _take_session_events(self, now_s: float, session: Session) -> None:
        for event in session.take_events():
            self._take_session_event(now_s, session, event)

    def _take_session_event(self, now_s: float, session: Session, event: ev.SessionEvent) -> None:
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
                self._resetting.discard(name)
                self._finish_reset(now_s)
            case ev.ResetRefused(reason):
                self._records.append(ResetDenied((f"{name}: {reason}",)))
                self._give_up_reset()
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

    def _arm_confirmed(self, now_s: float) -> None:
        if self.interlock.state is not State.ARMING:
            return
        if all(s.session_number is not None for s in self.sessions.values()):
            horns = [s.setup.identity.horn_ms for s in self.sessions.values() if s.setup.identity]
            self._arming_until = now_s + max(horns, default=0) / 1000 + ARM_CONFIRM_S

    def _horn_ended(self, now_s: float) -> None:
        if self.interlock.state is not State.ARMING:
            return
        if not all(s.firing for s in self.sessions.values()):
            return
        if (change := self.interlock.confirmed()) is not None:
            self._arming_until = math.inf
            self._last_note_s = now_s
            # A key pressed while the horn sounded must be pressed again.
            self.source.hush(self.timeline.now_s(now_s))
            self._note(InterlockChanged(change))
            for session in self.sessions.values():
                session.clock.slew(now_s, jump=True)
            self._changed = True

    def _board_tripped(
        self, now_s: float, name: str, cause: int, number: int, was_armed: bool
    ) -> None:
        known = Cause(cause) if cause in BOARD_CAUSES else Cause.INTERNAL_FAULT
        if self.interlock.state is State.TRIPPED and known is Cause.HOST_STOP:
            return
        detail = f"controller's trip {number}"
        if cause not in BOARD_CAUSES:
            detail += f", cause {cause}, which this host does not know"
        detail += "" if was_armed else ", remembered or unarmed"
        self._trip(now_s, known, name, detail)

    def _supervise(self, now_s: float) -> None:
        if now_s >= self._reset_until:
            waiting = ", ".join(sorted(self._resetting))
            self._give_up_reset()
            self._records.append(ResetDenied((f"no answer from {waiting}",)))
        if self.interlock.state not in (State.ARMING, State.ARMED):
            return
        if now_s >= self._arming_until:
            slow = [n for n, s in self.sessions.items() if not s.firing]
            self._trip(now_s, Cause.ARMING_FAILED, slow[0] if slow else "", "no confirmation")
            return
        for name, session in self.sessions.items():
            if (age := session.status_age_s(now_s)) > STATUS_FRESH_S:
                self._trip(now_s, Cause.STATUS_STALE, name, f"{age * 1000:.0f} ms")
                return
            if abs(session.clock.error_ppm) > TOLERANCE_PPM or session.clock_jumped:
                self._trip(now_s, Cause.CLOCK_OUT, name, f"{session.clock.error_ppm:+.0f} ppm")
                return
        if any(line.sounding for line in self.lines.values()):
            self._last_note_s = now_s
        idle = now_s - self._last_note_s
        if self.interlock.may_fire and idle > self.config.site.idle_disarm_s:
            self._records.append(Remark("interlock", f"idle for {idle:.0f} s: disarmed"))
            self._disarm(now_s)

    def _note(self, record: InterlockChanged) -> None:
        self._records.append(LatchChanged(self.interlock.latch))
        self._records.append(record)
