"""All that a simulated controller is at one tick, and how it tells it.

Holds the parts (permission, inputs, outputs), the counters and what is sent; says status and
identity. No frame is obeyed and no time passes here.
"""

from __future__ import annotations

from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import (
    MAX_SLOTS,
    TICK_HZ,
    VERSION,
    ControllerMessage,
    Identity,
    OutputLimits,
    OutputStatus,
    Status,
    limits_digest,
    ticks_between,
)

from .simulated_inputs import Inputs
from .simulated_permission import Permission
from .simulated_rules import Nonces
from .simulated_scheduler import OutputScheduler
from .simulated_settings import FOREVER, WIRE_MASK, BoardMemory, BoardSettings, Pulse


class BoardState:
    """One board between two events."""

    def __init__(self, settings: BoardSettings, memory: BoardMemory, power_on: ResetCause) -> None:
        self.settings = settings
        self.memory = memory
        self._inputs = Inputs(settings.outputs)
        self._sent: list[tuple[int, bytes]] = []
        self._pulses: list[Pulse] = []
        self._start(settings.first_tick, power_on, wire_origin=0)

    def _start(self, tick: int, cause: ResetCause, *, wire_origin: int) -> None:
        """The program starts: everything kept in RAM is new."""
        settings = self.settings
        self._now = tick
        self._wire_origin = wire_origin
        self._reset_cause = cause
        self._permission = Permission(self.memory, cause)
        self._inputs.start(tick)
        if self._inputs.pin_mismatch:
            self._permission.trip(Cause.PIN_MISMATCH)  # as the first look finds
        self._nonces = Nonces(self.memory.boot_id)
        self._reader = FrameReader()
        self._outputs = [
            OutputScheduler(number, ceilings, tick, MAX_SLOTS)
            for number, ceilings in enumerate(settings.ceilings_by_output)
        ]
        self._sequence = 0
        self._session = 0
        self._leases: dict[int, int] = {}
        self._last_numbers: dict[int, int] = {}
        self._fires_at = FOREVER
        self._refusals_since_arming = 0
        self._line_errors = 0
        self._line_errors_in_bangs = 0
        self._breaks = 0
        self._stale_frames = 0
        self._late_frames = 0
        self._refused_frames = 0
        self._next_status: int = tick
        self._status_due = False
        self._next_timer = tick

    # -- what may be read ----------------------------------------------------------------------

    @property
    def tick(self) -> int:
        """The extended tick it has lived to."""
        return self._now

    @property
    def wire_tick(self) -> int:
        """The same as the wire shows it."""
        return self._to_wire(self._now)

    @property
    def state(self) -> State:
        return self._permission.state

    @property
    def cause(self) -> Cause:
        return self._permission.cause

    @property
    def trip_number(self) -> int:
        return self._permission.trip_number

    @property
    def session(self) -> int:
        """0 unless in warning or armed."""
        return self._session

    @property
    def boot_id(self) -> int:
        return self.memory.boot_id

    @property
    def inputs(self) -> int:
        """Input bits as in status."""
        return self._inputs.bits()

    @property
    def proofs(self) -> int:
        return self._inputs.proofs

    def is_lit(self, output: int) -> bool:
        """True while the light of `output` is on."""
        return self._outputs[output].is_lit(self._now)

    # -- leaving armed --------------------------------------------------------------------------

    def _trip(self, cause: Cause) -> None:
        if self._permission.trip(cause):
            self._left_armed()

    def _left_armed(self) -> None:
        """Armed no more, by whatever way: dark, everything forgotten, told at the tick's end."""
        for output in self._outputs:
            output.go_dark(self._now)
        self._session = 0
        self._leases.clear()
        self._last_numbers.clear()
        self._fires_at = FOREVER
        self._status_due = True
        self._next_timer = self._now

    # -- telling ---------------------------------------------------------------------------------

    def _to_wire(self, tick: int) -> int:
        return (tick - self._wire_origin) & WIRE_MASK

    def _from_wire(self, wire_tick: int) -> int:
        """The extended tick nearest the present that the wire shows as `wire_tick`."""
        return self._now + ticks_between(wire_tick, self._to_wire(self._now))

    def _send(self, message: ControllerMessage) -> None:
        data = encode_frame(message.TYPE, self._sequence, message.payload())
        self._sequence = (self._sequence + 1) & 0xFF
        self._sent.append((self._now, data))

    def limits_in_force(self) -> list[OutputLimits]:
        """Of every output that has limits, lowest output first."""
        return [o.guard.limits for o in self._outputs if o.guard.limits is not None]

    def digest(self) -> int:
        """Of board, build, boot and the limits in force."""
        return limits_digest(
            self.settings.build,
            self.settings.board_id,
            self.memory.boot_id,
            self.limits_in_force(),
        )

    def status(self) -> Status:
        """What a status sent now would say."""
        return Status(
            now=self._to_wire(self._now),
            state=self._permission.state,
            cause=self._permission.cause,
            trip_number=self._permission.trip_number,
            session=self._session,
            inputs=self._inputs.bits(),
            proofs=self._inputs.proofs,
            bad_frames=self._reader.bad_frames & 0xFFFF,
            line_errors=self._line_errors & 0xFFFF,
            line_errors_in_bangs=self._line_errors_in_bangs & 0xFFFF,
            breaks=self._breaks & 0xFFFF,
            stale_frames=self._stale_frames & 0xFFFF,
            late_frames=self._late_frames & 0xFFFF,
            refused_frames=self._refused_frames & 0xFFFF,
            outputs=len(self._outputs),
            per_output=tuple(
                OutputStatus(
                    pulses=o.pulses & 0xFFFF,
                    collisions_dropped=o.collisions_dropped & 0xFFFF,
                    guard_refusals=o.guard_refusals & 0xFFFF,
                    last_guard_reason=o.last_guard_reason,
                    queued=len(o.queue),
                    refused_for=o.refused_for,
                )
                for o in self._outputs
            ),
        )

    def _send_status(self) -> None:
        self._send(self.status())

    def _identity(self) -> Identity:
        board = self.settings
        return Identity(
            version=VERSION,
            build=board.build,
            flash_crc=board.flash_crc,
            fuse_low=board.fuse_low,
            fuse_high=board.fuse_high,
            fuse_extended=board.fuse_extended,
            lock_bits=board.lock_bits,
            board_id=board.board_id,
            boot_id=self.memory.boot_id,
            reset_cause=self._reset_cause,
            tick_hz=TICK_HZ,
            outputs=board.outputs,
            slots=MAX_SLOTS,
            queue_frames=board.queue_frames,
            horn_ms=board.horn_ms,
            checks=board.checks,
            digest=self.digest(),
            ceilings=board.ceilings_by_output,
        )
