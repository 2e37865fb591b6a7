"""One controller's session: what is said and heard, from hello to stop. Sans I/O.

Bytes and times in, bytes and events out; no port, no clock. The session holds no permission: it
arms when the engine says so and stops when told, at once and before everything else. A session
that was lost comes back unarmed, always.

Here is who says what when; how, is in the parts: outbox.py, pings.py, arming.py, stopping.py,
breaks.py, greeting.py, renewal.py. Times never decrease. Silent is not safe to approach.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from bridge.checks import STATUS_FRESH_S, ControllerFacts
from bridge.clocks import HostS, Tick
from firmware_protocol import messages as m
from firmware_protocol.catalogue import State as BoardState
from firmware_protocol.catalogue import StopSource
from firmware_protocol.framing import FrameReader

from .arming import Arming
from .breaks import Breaks
from .clock import Clock
from .counters import Counters
from .greeting import Greeting, Phase
from .outbox import Outbox, Outgoing
from .pings import Pings
from .renewal import Renewal
from .session_events import (
    BoardRestarted,
    BoardTripped,
    Disagrees,
    FrameRefused,
    ResetDone,
    ResetRefused,
    SessionEvent,
    StopConfirmed,
)
from .setup import Setup
from .stopping import Stopping

STUCK_BYTES = 512
"""A line that holds back more than this does not drain: nothing but a first stop is added."""
_DISARM_GRACE_S = 0.15


class Session:
    """The session with one controller. `limits`: output → what its guard shall hold."""

    def __init__(
        self,
        name: str,
        board_id: int,
        baud: int,
        limits: Mapping[int, m.OutputLimits],
        *,
        link_jitter_s: float = 0.0,
    ) -> None:
        self.name = name
        self.baud = baud
        self.outputs = tuple(sorted(limits))
        self.counters = Counters()
        self.setup = Setup(board_id, limits)
        self.outbox = Outbox(baud)
        self.status: m.Status | None = None
        self._events: list[SessionEvent] = []
        self._greeting = Greeting(self.outbox, self.setup)
        self._pings = Pings(self.outbox)
        self._arming = Arming(
            self.outbox, self._pings, self.setup, self._events, link_jitter_s=link_jitter_s
        )
        self._renewal = Renewal(self.outputs)
        self._stopping = Stopping(self.outbox)
        self._breaks = Breaks()
        self._reader = FrameReader()
        self._released_s = HostS(-math.inf)
        """When permission was last given back or withdrawn."""

    # -- what may be looked at ----------------------------------------------------------------

    @property
    def phase(self) -> Phase:
        return self._greeting.phase

    @property
    def clock(self) -> Clock:
        """Of the board's present boot."""
        return self._pings.clock

    @property
    def clock_jumped(self) -> bool:
        """The controller's clock lost its step since arming."""
        return self._arming.clock_jumped

    @property
    def session_number(self) -> int | None:
        """The controller's session while armed or arming, else None."""
        return self._arming.session_number

    @property
    def firing(self) -> bool:
        """Armed and the horn has ended."""
        return self._arming.firing

    @property
    def stopping(self) -> bool:
        """A stop was sent and no status has confirmed it yet."""
        return self._stopping.active

    @property
    def can_break(self) -> bool | None:
        """Does a break reach the board? None until it was tried."""
        return self._breaks.can_break

    def status_age_s(self, now_s: HostS) -> float:
        """How old the newest status is at most; infinite while there is none that can be dated."""
        return self._pings.status_age.at_most_s(now_s)

    def facts(self, now_s: HostS) -> ControllerFacts:
        """What the arming checks and the panel need to know."""
        return ControllerFacts(
            name=self.name,
            linked=self.phase is not Phase.DOWN,
            link_problem=self._greeting.link_problem,
            identity=self.setup.identity,
            expected_board_id=self.setup.board_id,
            setup_problem=self.setup.problem(),
            status=self.status,
            status_age_s=self.status_age_s(now_s),
            clock_problem=self.clock.problem(),
            outputs=self.outputs,
            can_break=self.can_break,
            break_pending=self._breaks.pending,
        )

    def take_events(self) -> list[SessionEvent]:
        events = self._events.copy()
        self._events.clear()  # the parts add to this very list
        return events

    # -- link ---------------------------------------------------------------------------------

    def link_up(self, now_s: HostS) -> None:
        """The port is open. The board may be booting: hello until identity comes."""
        self._reader.reset()
        self.outbox.clear()
        self.outbox.line_free(now_s)
        self._forget_board()
        self._greeting.link_up(now_s)
        self._released_s = HostS(-math.inf)
        self._breaks.probe_wanted = True
        self._stopping.link_up(now_s)

    def link_down(self, problem: str) -> None:
        """The port is closed or could not be opened; `problem` says why."""
        self.outbox.clear()
        self._forget_board()
        self._pings.pause()
        self._greeting.link_down(problem)

    def _forget_board(self) -> None:
        self.status = None
        self.setup.forget()
        self._pings.forget()
        self._arming.forget()
        self._breaks.forget()

    # -- what the engine asks -----------------------------------------------------------------

    def request_arm(self, now_s: HostS) -> None:
        """Begins arming: a nonce, then arm. Ends in ArmConfirmed and HornEnded, or ArmRefused."""
        self._arming.request_arm(now_s)

    def request_reset(self, now_s: HostS) -> None:
        """Asks the controller to clear its trip. Ends in ResetDone or ResetRefused."""
        if self.stopping:
            self._events.append(ResetRefused("the stop is not confirmed yet"))
        elif self.status is None or self.status_age_s(now_s) > STATUS_FRESH_S:
            self._events.append(ResetRefused("no fresh status"))
        elif self.status.state != BoardState.TRIPPED:
            self._events.append(ResetDone())
        else:
            self._arming.request_reset(now_s)

    def cancel_reset(self) -> None:
        """The operator was told that the reset failed: it must not happen later by itself."""
        self._arming.cancel_reset()

    def disarm(self, now_s: HostS) -> None:
        """Gives permission back; the controller goes dark and locked."""
        if not self._arming.quiet or self._arming.wants_arm:
            self._released_s = now_s
            self.outbox.queue(m.Disarm())
        self._arming.drop()

    def stop(self, now_s: HostS, source: StopSource) -> None:
        """Stops the controller: unsent output is thrown away, stop goes first, until confirmed."""
        self._released_s = now_s
        if self._stopping.begin(now_s, source):
            self._arming.forget()

    # -- bytes in -----------------------------------------------------------------------------

    def receive(self, now_s: HostS, data: bytes) -> None:
        """Bytes from the controller. Malformed ones are counted, never obeyed."""
        for frame in self._reader.feed(data):
            try:
                message = m.parse_controller_message(frame.type_code, frame.payload)
            except m.MessageError:
                self.counters.bad_frames += 1
                continue
            self._take(now_s, message)
        if self._reader.bad_frames:
            self.counters.bad_frames += self._reader.bad_frames
            self._reader.bad_frames = 0

    def _take(self, now_s: HostS, message: m.ControllerMessage) -> None:
        match message:
            case m.Pong():
                if self._pings.take(now_s, message) and message.nonce:
                    self._arming.take_nonce(now_s, message.nonce, self.status)
            case m.Status():
                self._take_status(now_s, message)
            case m.Identity():
                self._take_identity(now_s, message)
            case m.LimitsSet():
                self.setup.take_limits(message)
            case m.Armed():
                self._arming.take_armed(message, self.status)
            case m.Refusal():
                self._take_refusal(now_s, message)

    def _take_identity(self, now_s: HostS, identity: m.Identity) -> None:
        restarted = self._greeting.is_restart(identity)
        new_boot = restarted or self.phase is Phase.GREETING
        if restarted:
            held = self.session_number is not None or self._arming.wants_arm
            self._forget_board()
            self._events.append(BoardRestarted(held))
        self._greeting.take_identity(now_s, identity)
        if new_boot:
            self._pings.begin(now_s, identity.tick_hz)
            self._greeting.want_limits(now_s)

    def _take_refusal(self, now_s: HostS, refusal: m.Refusal) -> None:
        reason = self.counters.refused(refusal.reason)
        if self._arming.take_refusal(now_s, refusal, reason):
            return
        if refusal.type_code in (m.Limits.TYPE, m.Hello.TYPE):
            self.setup.refused(reason)
        else:
            self._events.append(FrameRefused(refusal.type_code, reason, refusal.detail))

    def _take_status(self, now_s: HostS, status: m.Status) -> None:
        before, self.status = self.status, status
        self._pings.status_age.status(now_s, Tick(status.now))
        self._breaks.take_status(status)
        if status.state == BoardState.TRIPPED:
            self._take_tripped(before, status)
            return
        locked = status.state == BoardState.LOCKED
        if locked and self._arming.take_locked():
            self._greeting.want_limits(now_s)
            self._events.append(ResetDone())
        if self._arming.take_status(status):
            return
        if locked or self._arming.answer_due or self.stopping:
            return
        if now_s - self._released_s <= _DISARM_GRACE_S:
            self.outbox.queue(m.Disarm())  # the first may have been lost
        else:
            self.stop(now_s, StopSource.FAULT)
            self._events.append(Disagrees("armed, though this host did not arm it"))

    def _take_tripped(self, before: m.Status | None, status: m.Status) -> None:
        held = not self._arming.quiet
        if self._stopping.confirmed():
            self._events.append(StopConfirmed())
        self._arming.drop()
        new = before is None or before.state != BoardState.TRIPPED
        if new or held or (before is not None and before.trip_number != status.trip_number):
            self._events.append(BoardTripped(status.cause, status.trip_number, held))

    # -- time and bytes out -------------------------------------------------------------------

    def advance(self, now_s: HostS) -> None:
        """Queues what is due by `now_s`: hello, pings, limits, nonces."""
        if self.phase is Phase.DOWN:
            return
        quiet = self._arming.quiet
        self._greeting.say_hello(now_s, lawful=quiet and not self._arming.wants_arm)
        self._pings.advance(now_s)
        self._arming.advance(now_s)
        locked = self.status is not None and self.status.state == BoardState.LOCKED
        self._greeting.send_limits(now_s, lawful=quiet and locked)
        self._breaks.advance(now_s)

    def next_deadline_s(self) -> HostS:
        """When `advance` or `collect` has something to do though nothing arrives."""
        if self.phase is Phase.DOWN:
            return HostS(math.inf)
        return min(
            self._greeting.next_deadline_s(),
            self._pings.due_s,
            self._arming.next_deadline_s(),
            self._stopping.next_deadline_s(),
            self._breaks.next_deadline_s(),
        )

    def collect(self, now_s: HostS, reported_unsent: int = 0) -> Outgoing | None:
        """What must go out now apart from voices; None when there is nothing.

        `reported_unsent`: bytes the operating system says it still holds.
        """
        if self.phase is Phase.DOWN:
            return None
        if reported_unsent > STUCK_BYTES and not self._stopping.discard_wanted:
            self.outbox.keep_newest()
            self._stopping.put_off(now_s)
            return None
        line_break = False
        if self._stopping.due(now_s):
            line_break = self._stopping.say(now_s)
        elif self.status is not None and self._may_probe(self.status):
            line_break = True
            self._breaks.probe(self.status)
        discard = self._stopping.take_discard()
        if not self.outbox.waiting and not line_break and not discard:
            return None
        if self.outbox.waiting and self._breaks.take_spoiled():
            self.outbox.put_first(b"\x00")
        if line_break:
            self._breaks.begun()
        if discard:
            self.outbox.line_free(now_s)
        return Outgoing(discard, self.outbox.take(now_s), line_break)

    def break_done(self, now_s: HostS) -> None:
        """The break asked for with the last `Outgoing` is over, or could not be sent."""
        self._breaks.done(now_s)

    def _may_probe(self, status: m.Status) -> bool:
        """May the trial of a break go out now? A break trips whoever is not locked."""
        return (
            self._breaks.probe_wanted
            and self._arming.idle
            and status.state == BoardState.LOCKED
            and not self.clock.problem()
        )

    def voices_frame(
        self,
        now_s: HostS,
        output: int,
        slots: tuple[m.Slot | None, ...],
        apply_s: HostS | None,
        *,
        forget_later: bool = False,
    ) -> bytes:
        """The bytes that put `slots` in force at host time `apply_s` (None: on arrival)."""
        assert self.session_number is not None, "voices need a session"
        voices = self._renewal.voices(
            now_s,
            output,
            slots,
            apply_s,
            session_number=self.session_number,
            clock=self.clock,
            forget_later=forget_later,
        )
        return self.outbox.frame(voices)
