"""How the simulated controller answers each frame (PROTOCOL.md, sections 6 and 7).

One method for each message, in the order in which the page states its checks. It adds obedience to
`BoardState`; time and order are `SimulatedController`'s. Nothing here looks at anything but the
present tick.
"""

from __future__ import annotations

from firmware_protocol.catalogue import Cause, Reason, State
from firmware_protocol.framing import Frame
from firmware_protocol.messages import (
    CHECK_FLASH,
    CHECK_FUSES,
    FLAG_FORGET_LATER,
    FLAG_IMMEDIATE,
    MAX_AHEAD_TICKS,
    MAX_LATE_TICKS,
    MAX_LEASE_TICKS,
    PING_WANTS_NONCE,
    VERSION,
    Arm,
    Armed,
    Disarm,
    Hello,
    HostMessage,
    Limits,
    LimitsSet,
    MessageError,
    Ping,
    Pong,
    Refusal,
    Reset,
    Stop,
    Voices,
    parse_host_message,
)

from .simulated_permission import MAY_FIRE, Event
from .simulated_rules import check_limits, slots_are_lawful
from .simulated_settings import TICKS_PER_MS
from .simulated_state import BoardState

ALL_CHECKS = CHECK_FUSES | CHECK_FLASH
BOTH_PROOFS = 0x03
NEWER_NUMBERS = range(1, 0x8000)
"""(number − last) modulo 65,536 of a frame that is newer."""


class FrameHandling(BoardState):
    """Obeys or refuses one frame at the present tick."""

    def _obey(self, frame: Frame) -> None:
        if frame.type_code == Stop.TYPE:  # of whatever length: a stop is never refused
            self._stop()
            return
        try:
            message = parse_host_message(frame.type_code, frame.payload)
            answer = self._answer(message)
        except MessageError as error:
            answer = error.reason
        if answer is not None:
            reason, detail = answer if isinstance(answer, tuple) else (answer, 0)
            self._refused_frames += 1
            self._send(Refusal(frame.type_code, frame.sequence, reason, detail))

    def _answer(self, message: HostMessage) -> Reason | tuple[Reason, int] | None:
        """Obeys the message; or the reason why not, and its detail."""
        match message:
            case Voices():
                return self._voices(message)
            case Ping():
                return self._ping(message)
            case Hello():
                return self._hello(message)
            case Limits():
                return self._limits(message)
            case Arm():
                return self._arm(message)
            case Disarm():
                if self._permission.move(Event.DISARM):
                    self._left_armed()
                return None
            case Reset():
                return self._reset(message)
            case Stop():
                return self._stop()

    def _stop(self) -> None:
        self._trip(Cause.HOST_STOP)
        self._status_due = True

    def _ping(self, ping: Ping) -> None:
        wants_nonce = ping.flags & PING_WANTS_NONCE
        nonce = self._nonces.issue(self._now) if wants_nonce else 0
        now = self._to_wire(self._now)
        self._send(Pong(echo=ping.echo, received_at=now, sent_at=now, nonce=nonce))

    def _hello(self, hello: Hello) -> Reason | None:
        if self._permission.state in MAY_FIRE:
            self._trip(Cause.SETUP_WHILE_ARMED)
            return None
        if hello.version != VERSION:
            return Reason.WRONG_VERSION
        self._send(self._identity())
        digest = self.digest()
        for limits in self.limits_in_force():
            self._send(LimitsSet(limits, digest))
        return None

    def _limits(self, message: Limits) -> Reason | None:
        if self._permission.state in MAY_FIRE:
            self._trip(Cause.SETUP_WHILE_ARMED)
            return None
        if self._permission.state != State.LOCKED:
            return Reason.NOT_LOCKED
        new = message.limits
        if new.output >= len(self._outputs):
            return Reason.NO_SUCH_OUTPUT
        guard = self._outputs[new.output].guard
        refused = check_limits(new, self.settings.ceilings_by_output[new.output], guard.limits)
        if refused is None:
            guard.set_limits(new)
            self._send(LimitsSet(new, self.digest()))
        return refused

    def _arm(self, arm: Arm) -> Reason | None:
        nonce_is_good = self._nonces.use_up(self._now, arm.nonce)
        inputs, with_limits = self._inputs, [one.output for one in self.limits_in_force()]
        for refused, reason in (
            (self._permission.state == State.TRIPPED, Reason.IS_TRIPPED),
            (self._permission.state != State.LOCKED, Reason.NOT_LOCKED),
            (self.settings.checks & ALL_CHECKS != ALL_CHECKS, Reason.BOARD_CHECK_FAILED),
            (not nonce_is_good, Reason.BAD_NONCE),
            (not with_limits, Reason.NO_LIMITS),
            (arm.digest != self.digest(), Reason.WRONG_DIGEST),
            (inputs.any_estop_open, Reason.ESTOP_IS_OPEN),
            (inputs.proofs != BOTH_PROOFS, Reason.ESTOP_UNPROVEN),
            (not inputs.key_on, Reason.KEY_IS_OFF),
            (inputs.local_stop, Reason.LOCAL_STOP_PRESSED),
            (not inputs.all_ready(with_limits), Reason.OUTPUT_NOT_READY),
        ):
            if refused:
                return reason
        horn_ticks = self.settings.horn_ms * TICKS_PER_MS
        self._permission.move(Event.ARM_WITH_HORN if horn_ticks else Event.ARM)
        self._session = self._nonces.number()
        fires_at = self._now + horn_ticks
        if horn_ticks:
            self._fires_at = fires_at
        self._leases = dict.fromkeys(with_limits, self._now + MAX_LEASE_TICKS)
        self._refusals_since_arming = 0
        for output in self._outputs:
            output.arm()
        self._send(Armed(arm.nonce, self._session, self._to_wire(fires_at)))
        self._status_due = True
        return None

    def _reset(self, reset: Reset) -> Reason | tuple[Reason, int] | None:
        nonce_is_good = self._nonces.use_up(self._now, reset.nonce)
        permission = self._permission
        if permission.state != State.TRIPPED:
            return Reason.NOT_TRIPPED
        if reset.trip_number != permission.trip_number:
            return Reason.WRONG_TRIP
        if not nonce_is_good:
            return Reason.BAD_NONCE
        with_limits = [one.output for one in self.limits_in_force()]
        if self._inputs.remains(permission.cause, with_limits):
            return Reason.CAUSE_REMAINS, permission.cause
        permission.move(Event.RESET)
        self._inputs.watch_anew(self._now)
        self._status_due = True
        return None

    def _voices(self, frame: Voices) -> Reason | None:
        state = self._permission.state
        if state not in MAY_FIRE:
            return Reason.NOT_ARMED
        if frame.session != self._session:
            self._trip(Cause.WRONG_SESSION)
            return None
        if frame.output >= len(self._outputs):
            return Reason.NO_SUCH_OUTPUT
        output = self._outputs[frame.output]
        if output.guard.limits is None:
            return Reason.NO_LIMITS
        last = self._last_numbers.get(frame.output)
        if last is not None and (frame.number - last) & 0xFFFF not in NEWER_NUMBERS:
            self._stale_frames += 1
            return None
        now, expiry = self._now, self._from_wire(frame.expiry)
        if not 1 <= expiry - now <= MAX_LEASE_TICKS:
            return Reason.BAD_EXPIRY
        immediate = bool(frame.flags & FLAG_IMMEDIATE)
        apply_at = now if immediate else self._from_wire(frame.apply_at)
        if apply_at - now > MAX_AHEAD_TICKS:
            return Reason.TOO_FAR_AHEAD
        if now - apply_at > MAX_LATE_TICKS:
            return Reason.TOO_LATE
        if not slots_are_lawful(frame.slots):
            return Reason.BAD_SLOT
        if state == State.WARNING and frame.slots:
            return Reason.NOT_ARMED
        forget = bool(frame.flags & FLAG_FORGET_LATER)
        if apply_at > now:
            queued = output.left_by_forgetting(apply_at) if forget else len(output.queue)
            if queued >= self.settings.queue_frames:
                return Reason.QUEUE_FULL
        self._last_numbers[frame.output] = frame.number
        self._leases[frame.output] = expiry
        if forget:
            output.forget_later(apply_at)
        if apply_at > now:
            output.enqueue(apply_at, frame.slots)
        else:
            self._late_frames += apply_at < now
            output.apply(now, frame.slots)
        return None
