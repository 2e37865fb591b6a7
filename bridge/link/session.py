"""One controller's session: handshake, arming, renewal, clock, supervision, stop. Sans I/O.

Bytes and times in, bytes and events out; no port, no clock. The session holds no permission: it
arms when the engine says so and stops when told, at once and before everything else. A session
that was lost comes back unarmed, always.

Times are host monotonic seconds (`now_s`, never decreasing). Silent is not safe to approach.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from bridge.checks import STATUS_FRESH_S, ControllerFacts
from firmware_protocol import messages as m
from firmware_protocol.catalogue import Reason, StopSource
from firmware_protocol.catalogue import State as BoardState
from firmware_protocol.framing import Frame, FrameReader, encode_frame

from .clock import Clock
from .session_events import (
    ArmConfirmed,
    ArmRefused,
    BoardRestarted,
    BoardTripped,
    Disagrees,
    FrameRefused,
    GuardRefused,
    HornEnded,
    ResetDone,
    ResetRefused,
    SessionEvent,
    StopConfirmed,
)
from .setup import Setup
from .status_age import StatusAge

REFRESH_S = 0.037
LEASE_S = 0.2
"""How far ahead expiry is set; PROTOCOL.md takes at most 250 ms."""
PING_S = 0.211
PING_FAST_S = 0.023
HELLO_RETRY_S = 0.31
HELLO_AGAIN_S = 2.03
STOP_REPEAT_S = 0.007
BREAK_S = 0.004
PROBE_ANSWER_S = 0.4
"""A status that counts the break tried on a locked board must come within this."""
PACE_SHARE = 0.93
"""Share of the line that a flood may fill: what waits somewhere out of sight (an adapter, a late
reader) must be able to drain, or it would stay for as long as the flood."""
STUCK_BYTES = 512
"""A line that holds back more than this does not drain: nothing but a first stop is added."""
MOST_URGENT = 32
"""Frames kept for such a line; all of them are said again when they are not answered."""
AHEAD_BYTES = 16
"""Unsent bytes at which the next frame is written, so that a late timer leaves no gap: 0.3 ms."""
VOICES_FRAME_BYTES = 71
"""A voices frame with four slots on the wire."""
_DISARM_GRACE_S = 0.15
_ANSWER_WAIT_S = 0.04
"""For an answer to a nonce, arm or reset, beside the link's jitter there and back."""


def _session_after(nonce: int) -> int:
    """The session number that an arm with this nonce begins (PROTOCOL.md, section 6)."""
    count = nonce & 0xFFFF
    return (nonce & 0xFFFF_0000) | (1 if count == 0xFFFF else count + 1)


class Phase(Enum):
    DOWN = "down"
    GREETING = "greeting"
    READY = "ready"


class Want(Enum):
    """What a nonce is wanted for."""

    NOTHING = "nothing"
    ARM = "arm"
    RESET = "reset"


@dataclass(frozen=True, slots=True)
class Outgoing:
    """What the transport must do now, in this order."""

    discard: bool
    """Throw away what the operating system has not sent yet."""
    data: bytes
    line_break: bool
    """Then hold the line low for `BREAK_S`."""


@dataclass(slots=True)
class Counters:
    """What the panel shows of a link."""

    bad_frames: int = 0
    frames_sent: int = 0
    frames_refused: int = 0
    refused_by_reason: dict[str, int] = field(default_factory=dict[str, int])


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
        self._pace_baud = PACE_SHARE * baud
        self._wait_s = _ANSWER_WAIT_S + 2 * link_jitter_s
        self.outputs = tuple(sorted(limits))
        self.clock = Clock()
        self.counters = Counters()
        self.setup = Setup(board_id, limits)
        self.phase = Phase.DOWN
        self.session_number: int | None = None
        """The controller's session while armed or arming, else None."""
        self.firing = False
        """Armed and the horn has ended."""
        self.status: m.Status | None = None
        self.can_break: bool | None = None
        self._link_problem = "not opened yet"
        self._status_age = StatusAge()
        self._reader = FrameReader()
        self._events: list[SessionEvent] = []
        self._urgent: list[bytes] = []
        self._sequence = 0
        self._numbers = dict.fromkeys(self.outputs, 0)
        self._line_free_at = 0.0
        self._pings: dict[int, tuple[float, float]] = {}
        self._ping_count = 0
        self._ping_due = math.inf
        self._hello_due = math.inf
        self._setup_due = math.inf
        self._want = Want.NOTHING
        self._nonce_due = math.inf
        self._arm_nonces: tuple[int, ...] = ()
        """Sent with arm and not yet answered; more than one after frames were lost."""
        self._arm_due = math.inf
        self._released_at = -math.inf
        self._stop_source: StopSource | None = None
        self._stop_due = math.inf
        self._stop_break = False
        self._discard = False
        self._probe_break = False
        self._break_pending = False
        self._after_break = False
        self._probe_breaks_before: int | None = None
        self._probe_until = math.inf
        self._refusals_at_arming = 0
        self._refusals_told = 0
        self._jumps_at_arming = 0

    # -- link ---------------------------------------------------------------------------------

    def link_up(self, now_s: float) -> None:
        """The port is open. The board may be booting: hello until identity comes."""
        self.phase = Phase.GREETING
        self._link_problem = ""
        self._reader.reset()
        self._urgent.clear()
        self._forget_board()
        self._hello_due = now_s
        self._line_free_at = now_s
        self._released_at = -math.inf
        self._probe_break = True
        if self._stop_source is not None:
            self._stop_due = now_s

    def link_down(self, problem: str) -> None:
        """The port is closed or could not be opened; `problem` says why."""
        self.phase = Phase.DOWN
        self._link_problem = problem
        self._urgent.clear()
        self._forget_board()
        self._hello_due = self._ping_due = self._setup_due = math.inf

    def _forget_board(self) -> None:
        self.status = None
        self._status_age = StatusAge()
        self.setup.forget()
        self.clock = Clock()
        self._pings.clear()
        self._drop_session()
        self._want = Want.NOTHING
        self.can_break = None
        self._break_pending = False
        self._probe_breaks_before = None
        self._probe_until = math.inf

    def _drop_session(self) -> None:
        self.session_number = None
        self.firing = False
        self._arm_nonces = ()
        self._arm_due = math.inf
        if self._want is Want.ARM:
            self._want = Want.NOTHING

    # -- what the engine asks -----------------------------------------------------------------

    def request_arm(self, now_s: float) -> None:
        """Begins arming: a nonce, then arm. Ends in ArmConfirmed and HornEnded, or ArmRefused."""
        self._drop_session()
        self._want = Want.ARM
        self._ask_nonce(now_s)

    def request_reset(self, now_s: float) -> None:
        """Asks the controller to clear its trip. Ends in ResetDone or ResetRefused."""
        if self._stop_source is not None:
            self._events.append(ResetRefused("the stop is not confirmed yet"))
            return
        if self.status is None or self.status_age_s(now_s) > STATUS_FRESH_S:
            self._events.append(ResetRefused("no fresh status"))
            return
        if self.status.state != BoardState.TRIPPED:
            self._events.append(ResetDone())
            return
        self._want = Want.RESET
        self._ask_nonce(now_s)

    def cancel_reset(self) -> None:
        """The operator was told that the reset failed: it must not happen later by itself."""
        if self._want is Want.RESET:
            self._want = Want.NOTHING

    def disarm(self, now_s: float) -> None:
        """Gives permission back; the controller goes dark and locked."""
        if self.session_number is not None or self._want is Want.ARM or self._arm_nonces:
            self._released_at = now_s
            self._queue(m.Disarm())
        self._drop_session()

    def stop(self, now_s: float, source: StopSource) -> None:
        """Stops the controller: unsent output is thrown away, stop goes first, until confirmed."""
        self._released_at = now_s
        if self._stop_source is not None:
            # Said already and being repeated: a flood of stops must not throw its own frames away.
            self._stop_source = source
            return
        self._drop_session()
        self._want = Want.NOTHING
        self._urgent.clear()
        self._discard = True
        self._stop_source, self._stop_due = source, now_s
        self._stop_break = True

    @property
    def stopping(self) -> bool:
        """A stop was sent and no status has confirmed it yet."""
        return self._stop_source is not None

    # -- bytes in -----------------------------------------------------------------------------

    def receive(self, now_s: float, data: bytes) -> None:
        """Bytes from the controller. Malformed ones are counted, never obeyed."""
        for frame in self._reader.feed(data):
            try:
                message = m.parse_controller_message(frame.type_code, frame.payload)
            except m.MessageError:
                self.counters.bad_frames += 1
                continue
            self._take(now_s, frame, message)
        if self._reader.bad_frames:
            self.counters.bad_frames += self._reader.bad_frames
            self._reader.bad_frames = 0

    def _take(self, now_s: float, frame: Frame, message: m.ControllerMessage) -> None:
        match message:
            case m.Pong():
                self._take_pong(now_s, message)
            case m.Status():
                self._take_status(now_s, message)
            case m.Identity():
                self._take_identity(now_s, message)
            case m.LimitsSet():
                self.setup.take_limits(message)
            case m.Armed():
                self._take_armed(message)
            case m.Refusal():
                self._take_refusal(now_s, message)

    def _take_identity(self, now_s: float, identity: m.Identity) -> None:
        restarted = self.setup.identity is not None and (
            identity.boot_id != self.setup.identity.boot_id
        )
        if restarted:
            held = self.session_number is not None or self._want is Want.ARM
            self._forget_board()
            self._events.append(BoardRestarted(held))
        self.setup.take_identity(identity)
        if self.phase is Phase.GREETING or restarted:
            self.clock = Clock(float(identity.tick_hz))
            self._status_age = StatusAge(float(identity.tick_hz))
            self.phase = Phase.READY
            self._ping_due = now_s
            self._setup_due = now_s
        self._hello_due = now_s + HELLO_AGAIN_S

    def _take_pong(self, now_s: float, pong: m.Pong) -> None:
        sent = self._pings.pop(pong.echo, None)
        if sent is None:
            return
        self._status_age.pong(sent[0], now_s, pong.received_at)
        wire_back_s = 24 * 10 / self.baud
        self.clock.add(
            sent[0],
            now_s,
            received_at=pong.received_at,
            sent_at=pong.sent_at,
            wire_out_s=sent[1],
            wire_back_s=wire_back_s,
        )
        if pong.nonce and self._want is Want.ARM:
            self._want = Want.NOTHING
            self._arm_nonces = (*self._arm_nonces[-7:], pong.nonce)
            self._arm_due = now_s + self._wait_s
            self._queue(m.Arm(pong.nonce, self.setup.digest()))
        elif pong.nonce and self._want is Want.RESET and self.status is not None:
            self._queue(m.Reset(self.status.trip_number, pong.nonce))
            self._nonce_due = now_s + self._wait_s

    def _take_armed(self, armed: m.Armed) -> None:
        if armed.nonce in self._arm_nonces:
            self._begin_session(armed.session)

    @property
    def clock_jumped(self) -> bool:
        """The controller's clock lost its step since arming."""
        return self.session_number is not None and self.clock.jumps != self._jumps_at_arming

    def _begin_session(self, session: int) -> None:
        self._drop_session()
        self._jumps_at_arming = self.clock.jumps
        self._refusals_told = 0
        self.session_number = session
        self._numbers = dict.fromkeys(self.outputs, 0)
        if self.status is not None:
            self._refusals_at_arming = sum(o.guard_refusals for o in self.status.per_output)
        self._events.append(ArmConfirmed())

    def _take_refusal(self, now_s: float, refusal: m.Refusal) -> None:
        try:
            reason = Reason(refusal.reason).name.lower().replace("_", " ")
        except ValueError:
            reason = f"reason {refusal.reason}"
        self.counters.frames_refused += 1
        by_reason = self.counters.refused_by_reason
        by_reason[reason] = by_reason.get(reason, 0) + 1
        if refusal.type_code == m.Arm.TYPE and self._arm_nonces:
            # After a retry "not locked" may only mean that the first arm did arrive: status tells.
            if refusal.reason == Reason.BAD_NONCE:  # a newer one was issued meanwhile: once more
                self._arm_due = now_s
            elif len(self._arm_nonces) == 1 or refusal.reason != Reason.NOT_LOCKED:
                self._drop_session()
                self._events.append(ArmRefused(reason))
        elif refusal.type_code == m.Reset.TYPE and self._want is Want.RESET:
            self._want = Want.NOTHING
            self._events.append(ResetRefused(reason))
        elif refusal.type_code in (m.Limits.TYPE, m.Hello.TYPE):
            self.setup.refused(reason)
        else:
            self._events.append(FrameRefused(refusal.type_code, reason, refusal.detail))

    def _take_status(self, now_s: float, status: m.Status) -> None:
        before, self.status = self.status, status
        self._status_age.status(now_s, status.now)
        state = status.state
        if self._probe_breaks_before is not None and (
            (status.breaks - self._probe_breaks_before) & 0xFFFF
        ):
            self.can_break, self._probe_breaks_before = True, None
        if state == BoardState.TRIPPED:
            self._take_tripped(before, status)
            return
        if self._want is Want.RESET and state == BoardState.LOCKED:
            self._want = Want.NOTHING
            self._setup_due = now_s
            self._events.append(ResetDone())
        if self.session_number is None and status.session in map(_session_after, self._arm_nonces):
            self._begin_session(status.session)  # the answer to arm was lost, the status was not
        if self.session_number is not None:
            self._supervise(status)
        elif state == BoardState.LOCKED or self._arm_nonces or self._stop_source is not None:
            return
        elif now_s - self._released_at <= _DISARM_GRACE_S:
            self._queue(m.Disarm())  # the first may have been lost
        else:
            self.stop(now_s, StopSource.FAULT)
            self._events.append(Disagrees("armed, though this host did not arm it"))

    def _take_tripped(self, before: m.Status | None, status: m.Status) -> None:
        held = self.session_number is not None or bool(self._arm_nonces)
        if self._stop_source is not None:
            self._stop_source, self._stop_due = None, math.inf
            self._events.append(StopConfirmed())
        self._drop_session()
        new = before is None or before.state != BoardState.TRIPPED
        if new or held or (before is not None and before.trip_number != status.trip_number):
            self._events.append(BoardTripped(status.cause, status.trip_number, held))

    def _supervise(self, status: m.Status) -> None:
        if status.state == BoardState.LOCKED or status.session != self.session_number:
            self._drop_session()
            self._events.append(Disagrees("no longer armed, though nobody disarmed it"))
            return
        if status.state == BoardState.ARMED and not self.firing:
            self.firing = True
            self._events.append(HornEnded())
        refusals = sum(o.guard_refusals for o in status.per_output)
        refused = (refusals - self._refusals_at_arming) & 0xFFFF
        if refused > self._refusals_told:
            self._refusals_told = refused
            worst = max(status.per_output, key=lambda o: o.guard_refusals)
            self._events.append(GuardRefused(refused, worst.last_guard_reason))

    # -- time and bytes out -------------------------------------------------------------------

    def advance(self, now_s: float) -> None:
        """Queues what is due by `now_s`: hello, pings, limits, nonces."""
        if self.phase is Phase.DOWN:
            return
        quiet = self.session_number is None and not self._arm_nonces
        if now_s >= self._hello_due:
            if self.phase is Phase.GREETING:
                self._queue(m.Hello())
                self._hello_due = now_s + HELLO_RETRY_S
            elif quiet and self._want is not Want.ARM:
                self._queue(m.Hello())
                self._hello_due = now_s + HELLO_AGAIN_S
            else:
                self._hello_due = now_s + HELLO_AGAIN_S
        if now_s >= self._ping_due:
            self._ping(now_s, 0)
            fast = bool(self.clock.problem())
            self._ping_due = now_s + (PING_FAST_S if fast else PING_S)
        if now_s >= self._arm_due:  # arm or its answer was lost
            self._arm_due = math.inf
            self._want = Want.ARM
            self._ask_nonce(now_s)
        if self._want is not Want.NOTHING and now_s >= self._nonce_due:
            self._ask_nonce(now_s)
        if now_s >= self._setup_due:
            self._setup_due = now_s + HELLO_RETRY_S
            if quiet and self.status is not None and self.status.state == BoardState.LOCKED:
                for limits in self.setup.to_send():
                    self._queue(limits)
        if now_s >= self._probe_until:
            self._probe_until = math.inf
            if self._probe_breaks_before is not None:
                self.can_break, self._probe_breaks_before = False, None

    def next_deadline_s(self) -> float:
        """When `advance` or `collect` has something to do though nothing arrives."""
        if self.phase is Phase.DOWN:
            return math.inf
        due = min(self._hello_due, self._ping_due, self._setup_due, self._probe_until)
        due = min(due, self._stop_due, self._arm_due)
        if self._want is not Want.NOTHING:
            due = min(due, self._nonce_due)
        return due

    def collect(self, now_s: float, reported_unsent: int = 0) -> Outgoing | None:
        """What must go out now apart from voices; None when there is nothing.

        `reported_unsent`: bytes the operating system says it still holds.
        """
        if self.phase is Phase.DOWN:
            return None
        if reported_unsent > STUCK_BYTES and not self._discard:
            del self._urgent[:-MOST_URGENT]
            if now_s >= self._stop_due:  # the last one has not left yet
                self._stop_due = now_s + STOP_REPEAT_S
            return None
        line_break = False
        if self._stop_source is not None and now_s >= self._stop_due:
            self._urgent.insert(0, b"\x00" + self._frame(m.Stop(int(self._stop_source))))
            self._stop_due = now_s + STOP_REPEAT_S
            line_break, self._stop_break = self._stop_break, False
        elif self._probe_ready():
            assert self.status is not None
            line_break, self._probe_break = True, False
            self._probe_breaks_before = self.status.breaks
        if not self._urgent and not line_break and not self._discard:
            return None
        if self._urgent and self._after_break:
            # A break spoils the frame it falls in, and that frame ends with the next 0x00.
            self._urgent.insert(0, b"\x00")
            self._after_break = False
        data = b"".join(self._urgent)
        self._urgent.clear()
        self._after_break = self._after_break or line_break
        self._break_pending = self._break_pending or line_break
        discard, self._discard = self._discard, False
        if discard:
            self._line_free_at = now_s
        self.wrote(now_s, len(data))
        return Outgoing(discard, data, line_break)

    def break_done(self, now_s: float) -> None:
        """The break asked for with the last `Outgoing` is over, or could not be sent."""
        self._break_pending = False
        if self._probe_breaks_before is not None and self._probe_until == math.inf:
            self._probe_until = now_s + PROBE_ANSWER_S

    def _probe_ready(self) -> bool:
        return (
            self._probe_break
            and self.session_number is None
            and not self._arm_nonces
            and self._want is Want.NOTHING
            and self.status is not None
            and self.status.state == BoardState.LOCKED
            and not self.clock.problem()
        )

    def wrote(self, now_s: float, count: int) -> None:
        """Notes `count` bytes handed to the line, which sends them at the baud rate."""
        self._line_free_at = max(self._line_free_at, now_s) + count * 10 / self._pace_baud

    def unsent_bytes(self, now_s: float, reported: int) -> float:
        """Bytes still to be sent: the line's own time, or what the system reports if more."""
        return max((self._line_free_at - now_s) * self._pace_baud / 10, float(reported), 0.0)

    def room_at(self, now_s: float, reported: int) -> float:
        """When a voices frame may be written: `now_s` where it may be at once.

        That is when the line is all but free: what is not written yet can still become newer. So
        there is never more unsent than one frame and `AHEAD_BYTES`, less than one refresh of two
        outputs; the frames of a chord on several outputs may go in one after the other.
        """
        excess = self.unsent_bytes(now_s, reported) - AHEAD_BYTES
        return now_s if excess <= 0 else now_s + excess * 10 / self._pace_baud

    def voices_frame(
        self,
        now_s: float,
        output: int,
        slots: tuple[m.Slot | None, ...],
        apply_s: float | None,
        *,
        forget_later: bool = False,
    ) -> bytes:
        """The bytes that put `slots` in force at host time `apply_s` (None: on arrival)."""
        assert self.session_number is not None, "voices need a session"
        number = self._numbers[output] = (self._numbers[output] + 1) & 0xFFFF
        flags = m.FLAG_FORGET_LATER if forget_later else 0
        if apply_s is None:
            flags |= m.FLAG_IMMEDIATE
        apply_at = 0 if apply_s is None else self.clock.tick_at(apply_s)
        expiry = self.clock.tick_at(now_s + LEASE_S)
        self.counters.frames_sent += 1
        return self._frame(
            m.Voices(self.session_number, output, number, flags, apply_at, expiry, slots)
        )

    def take_events(self) -> list[SessionEvent]:
        events, self._events = self._events, []
        return events

    def facts(self, now_s: float) -> ControllerFacts:
        """What the arming checks and the panel need to know."""
        return ControllerFacts(
            name=self.name,
            linked=self.phase is not Phase.DOWN,
            link_problem=self._link_problem,
            identity=self.setup.identity,
            expected_board_id=self.setup.board_id,
            setup_problem=self.setup.problem(),
            status=self.status,
            status_age_s=self.status_age_s(now_s),
            clock_problem=self.clock.problem(),
            outputs=self.outputs,
            can_break=self.can_break,
            break_pending=self._break_pending,
        )

    def status_age_s(self, now_s: float) -> float:
        """How old the newest status is at most; infinite while there is none that can be dated."""
        return self._status_age.at_most_s(now_s)

    def _ask_nonce(self, now_s: float) -> None:
        self._nonce_due = now_s + self._wait_s
        self._ping(now_s, m.PING_WANTS_NONCE)

    def _ping(self, now_s: float, flags: int) -> None:
        self._ping_count = (self._ping_count + 1) & 0xFFFF_FFFF
        while len(self._pings) >= 16:
            del self._pings[next(iter(self._pings))]
        frame = self._frame(m.Ping(self._ping_count, flags))
        waits_s = sum(map(len, self._urgent)) * 10 / self.baud + max(
            0.0, self._line_free_at - now_s
        )
        self._pings[self._ping_count] = (now_s, waits_s + len(frame) * 10 / self.baud)
        self._urgent.append(frame)

    def _queue(self, message: m.HostMessage) -> None:
        self._urgent.append(self._frame(message))

    def _frame(self, message: m.HostMessage) -> bytes:
        self._sequence = (self._sequence + 1) & 0xFF
        return encode_frame(message.TYPE, self._sequence, message.payload())
