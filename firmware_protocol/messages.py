"""The messages of the wire, both directions: immutable values ⇄ payload bytes. Sans I/O.

Little-endian throughout. Times are controller ticks modulo 2**32; periods are 1/256 ticks.
PROTOCOL.md says what each field means and which values are lawful; this file only packs them.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Self

from .catalogue import Reason

VERSION = 1
TICK_HZ = 2_000_000
"""Nominal ticks a second of the reference board (0.5 µs); Identity carries the board's own."""
PERIOD_UNITS_PER_TICK = 256
STEP_UNITS = 16
"""A slot's `step` counts 16 period units = 1/16 tick."""
MAX_SLOTS = 4
MAX_LEASE_TICKS = TICK_HZ // 4
MAX_AHEAD_TICKS = TICK_HZ // 4
MAX_LATE_TICKS = TICK_HZ // 50
GUARD_SLOTS = 32
FLAG_IMMEDIATE = 0x01
FLAG_FORGET_LATER = 0x02
PING_WANTS_NONCE = 0x01

INPUT_ESTOP_A = 0x01
INPUT_ESTOP_B = 0x02
INPUT_KEY = 0x04
INPUT_LOCAL_STOP = 0x08
INPUT_READY_1 = 0x10
"""Ready inputs of outputs 0..3 are bits 4..7."""
CHECK_FUSES = 0x01
CHECK_FLASH = 0x02


class MessageError(Exception):
    """A frame whose payload is no lawful message; `reason` is what a controller would answer."""

    def __init__(self, reason: Reason, text: str) -> None:
        super().__init__(text)
        self.reason = reason


def _unpack(layout: struct.Struct, payload: bytes, name: str) -> tuple[int, ...]:
    if len(payload) != layout.size:
        raise MessageError(
            Reason.WRONG_LENGTH, f"{name}: {len(payload)} bytes, must be {layout.size}"
        )
    return layout.unpack(payload)


@dataclass(frozen=True, slots=True)
class Hello:
    """Host → controller: who are you?"""

    TYPE: ClassVar[int] = 0x01
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B")
    version: int = VERSION

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.version)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*_unpack(cls.LAYOUT, payload, "hello"))


@dataclass(frozen=True, slots=True)
class OutputLimits:
    """What one output may do, in ticks. A window of 0 ms is not there."""

    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHHHIHIHI")
    output: int
    max_on_ticks: int
    min_off_ticks: int
    max_starts_1s: int
    max_duty_1s_ticks: int
    """On-time in any 1 s."""
    window2_ms: int = 0
    window2_ticks: int = 0
    window3_ms: int = 0
    window3_ticks: int = 0

    def payload(self) -> bytes:
        return self.LAYOUT.pack(
            self.output,
            self.max_on_ticks,
            self.min_off_ticks,
            self.max_starts_1s,
            self.max_duty_1s_ticks,
            self.window2_ms,
            self.window2_ticks,
            self.window3_ms,
            self.window3_ticks,
        )

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*_unpack(cls.LAYOUT, payload, "limits"))


@dataclass(frozen=True, slots=True)
class Limits:
    """Host → controller: set one output's limits; only while locked, only tighter."""

    TYPE: ClassVar[int] = 0x02
    limits: OutputLimits

    def payload(self) -> bytes:
        return self.limits.payload()

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(OutputLimits.parse(payload))


@dataclass(frozen=True, slots=True)
class Arm:
    """Host → controller: permission to fire, with a fresh nonce and the digest of the limits."""

    TYPE: ClassVar[int] = 0x03
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<II")
    nonce: int
    digest: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.nonce, self.digest)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*_unpack(cls.LAYOUT, payload, "arm"))


@dataclass(frozen=True, slots=True)
class Slot:
    """One pulse train within a voices frame."""

    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBHHI")
    start: int
    """Start number 0..255: a new one begins the train anew."""
    bangs: int
    """Bangs to fire, 0 = until changed."""
    spread: int
    """Random spread of each gap, 1/256 of the period, at most 128."""
    phase: int
    """First pulse comes phase/256 of a period after the start."""
    on_ticks: int
    step: int
    """Most that the period moves at each pulse toward `period`, in 1/16 tick; 0 = at once."""
    period: int
    """In 1/256 ticks."""

    def payload(self) -> bytes:
        return self.LAYOUT.pack(
            self.start, self.bangs, self.spread, self.phase, self.on_ticks, self.step, self.period
        )


@dataclass(frozen=True, slots=True)
class Voices:
    """Host → controller: everything that sounds on one output, and until when that stays true."""

    TYPE: ClassVar[int] = 0x04
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<IBHBIIB")
    session: int
    output: int
    number: int
    flags: int
    apply_at: int
    expiry: int
    slots: tuple[Slot | None, ...]
    """By slot index, at most MAX_SLOTS; None = silent. Trailing silent slots are not kept."""

    def payload(self) -> bytes:
        mask = 0
        parts: list[bytes] = []
        for index, slot in enumerate(self.slots):
            if slot is not None:
                mask |= 1 << index
                parts.append(slot.payload())
        head = self.LAYOUT.pack(
            self.session, self.output, self.number, self.flags, self.apply_at, self.expiry, mask
        )
        return head + b"".join(parts)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        if len(payload) < cls.LAYOUT.size:
            raise MessageError(Reason.WRONG_LENGTH, f"voices: only {len(payload)} bytes")
        session, output, number, flags, apply_at, expiry, mask = cls.LAYOUT.unpack_from(payload)
        if mask >> MAX_SLOTS:
            raise MessageError(Reason.BAD_SLOT, f"voices: slot mask {mask:#04x}")
        if len(payload) != cls.LAYOUT.size + mask.bit_count() * Slot.LAYOUT.size:
            raise MessageError(Reason.WRONG_LENGTH, f"voices: {len(payload)} bytes, mask {mask:#x}")
        at = cls.LAYOUT.size
        slots: list[Slot | None] = []
        for index in range(mask.bit_length()):
            if mask >> index & 1:
                slots.append(Slot(*Slot.LAYOUT.unpack_from(payload, at)))
                at += Slot.LAYOUT.size
            else:
                slots.append(None)
        return cls(session, output, number, flags, apply_at, expiry, tuple(slots))


@dataclass(frozen=True, slots=True)
class Disarm:
    """Host → controller: give permission back. Taken from anyone."""

    TYPE: ClassVar[int] = 0x05
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<")

    def payload(self) -> bytes:
        return b""

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        _unpack(cls.LAYOUT, payload, "disarm")
        return cls()


@dataclass(frozen=True, slots=True)
class Stop:
    """Host → controller: trip now. Taken always, from anyone."""

    TYPE: ClassVar[int] = 0x06
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B")
    source: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.source)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*_unpack(cls.LAYOUT, payload, "stop"))


@dataclass(frozen=True, slots=True)
class Reset:
    """Host → controller: clear this trip; refused while its cause lasts."""

    TYPE: ClassVar[int] = 0x07
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<HI")
    trip_number: int
    nonce: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.trip_number, self.nonce)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*_unpack(cls.LAYOUT, payload, "reset"))


@dataclass(frozen=True, slots=True)
class Ping:
    """Host → controller: what time is it there? May ask for a nonce."""

    TYPE: ClassVar[int] = 0x08
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<IB")
    echo: int
    flags: int = 0

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.echo, self.flags)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*_unpack(cls.LAYOUT, payload, "ping"))


@dataclass(frozen=True, slots=True)
class Ceilings:
    """The most that one output may ever be allowed: compiled in, or lower, kept on the board."""

    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<HHHI")
    max_on_ticks: int
    min_off_ticks: int
    max_starts_1s: int
    max_duty_1s_ticks: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(
            self.max_on_ticks, self.min_off_ticks, self.max_starts_1s, self.max_duty_1s_ticks
        )


@dataclass(frozen=True, slots=True)
class Identity:
    """Controller → host: answer to hello, followed by one LimitsSet for each output with limits."""

    TYPE: ClassVar[int] = 0x41
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BIIBBBBIIBIBBBHBI")
    version: int
    build: int
    flash_crc: int
    fuse_low: int
    fuse_high: int
    fuse_extended: int
    lock_bits: int
    board_id: int
    boot_id: int
    reset_cause: int
    tick_hz: int
    outputs: int
    slots: int
    queue_frames: int
    horn_ms: int
    checks: int
    digest: int
    ceilings: tuple[Ceilings, ...]
    """One for each output."""

    def payload(self) -> bytes:
        head = self.LAYOUT.pack(
            self.version,
            self.build,
            self.flash_crc,
            self.fuse_low,
            self.fuse_high,
            self.fuse_extended,
            self.lock_bits,
            self.board_id,
            self.boot_id,
            self.reset_cause,
            self.tick_hz,
            self.outputs,
            self.slots,
            self.queue_frames,
            self.horn_ms,
            self.checks,
            self.digest,
        )
        return head + b"".join(c.payload() for c in self.ceilings)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        if len(payload) < cls.LAYOUT.size:
            raise MessageError(Reason.WRONG_LENGTH, f"identity: only {len(payload)} bytes")
        fields = cls.LAYOUT.unpack_from(payload)
        outputs: int = fields[11]
        if len(payload) != cls.LAYOUT.size + outputs * Ceilings.LAYOUT.size:
            raise MessageError(Reason.WRONG_LENGTH, f"identity: {len(payload)} bytes")
        tail = payload[cls.LAYOUT.size :]
        per_output = tuple(Ceilings(*c) for c in Ceilings.LAYOUT.iter_unpack(tail))
        return cls(*fields, per_output)  # pyright: ignore[reportCallIssue]


@dataclass(frozen=True, slots=True)
class OutputStatus:
    """Counters of one output, each modulo 2**16 (2**8 where it is one byte), since boot."""

    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<HHHBB")
    pulses: int
    collisions_dropped: int
    guard_refusals: int
    last_guard_reason: int
    queued: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(
            self.pulses,
            self.collisions_dropped,
            self.guard_refusals,
            self.last_guard_reason,
            self.queued,
        )


@dataclass(frozen=True, slots=True)
class Status:
    """Controller → host: every 50 ms and on change."""

    TYPE: ClassVar[int] = 0x42
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<IBBHIBBHHHHHHHB")
    now: int
    state: int
    cause: int
    trip_number: int
    session: int
    """0 unless armed."""
    inputs: int
    proofs: int
    """Bit 0, 1: e-stop input A, B seen open and closed again since power-up."""
    bad_frames: int
    line_errors: int
    line_errors_in_bangs: int
    breaks: int
    stale_frames: int
    late_frames: int
    refused_frames: int
    outputs: int
    per_output: tuple[OutputStatus, ...]

    def payload(self) -> bytes:
        head = self.LAYOUT.pack(
            self.now,
            self.state,
            self.cause,
            self.trip_number,
            self.session,
            self.inputs,
            self.proofs,
            self.bad_frames,
            self.line_errors,
            self.line_errors_in_bangs,
            self.breaks,
            self.stale_frames,
            self.late_frames,
            self.refused_frames,
            self.outputs,
        )
        return head + b"".join(o.payload() for o in self.per_output)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        if len(payload) < cls.LAYOUT.size:
            raise MessageError(Reason.WRONG_LENGTH, f"status: only {len(payload)} bytes")
        fields = cls.LAYOUT.unpack_from(payload)
        outputs: int = fields[14]
        if len(payload) != cls.LAYOUT.size + outputs * OutputStatus.LAYOUT.size:
            raise MessageError(Reason.WRONG_LENGTH, f"status: {len(payload)} bytes")
        tail = payload[cls.LAYOUT.size :]
        per_output = tuple(OutputStatus(*o) for o in OutputStatus.LAYOUT.iter_unpack(tail))
        return cls(*fields, per_output)  # pyright: ignore[reportCallIssue]


@dataclass(frozen=True, slots=True)
class Pong:
    """Controller → host: answer to ping."""

    TYPE: ClassVar[int] = 0x43
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<IIII")
    echo: int
    received_at: int
    sent_at: int
    nonce: int
    """0 where none was asked for."""

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.echo, self.received_at, self.sent_at, self.nonce)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*_unpack(cls.LAYOUT, payload, "pong"))


@dataclass(frozen=True, slots=True)
class Refusal:
    """Controller → host: a frame that was understood and not obeyed, and why."""

    TYPE: ClassVar[int] = 0x44
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBI")
    type_code: int
    sequence: int
    reason: int
    detail: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.type_code, self.sequence, self.reason, self.detail)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*_unpack(cls.LAYOUT, payload, "refusal"))


@dataclass(frozen=True, slots=True)
class LimitsSet:
    """Controller → host: one output's limits now in force, and the digest over all of them."""

    TYPE: ClassVar[int] = 0x45
    DIGEST: ClassVar[struct.Struct] = struct.Struct("<I")
    limits: OutputLimits
    digest: int

    def payload(self) -> bytes:
        return self.limits.payload() + self.DIGEST.pack(self.digest)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        size = OutputLimits.LAYOUT.size
        (digest,) = _unpack(cls.DIGEST, payload[size:], "limits set")
        return cls(OutputLimits.parse(payload[:size]), digest)


@dataclass(frozen=True, slots=True)
class Armed:
    """Controller → host: armed; `fires_at` is the tick at which the horn ends."""

    TYPE: ClassVar[int] = 0x46
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<III")
    nonce: int
    session: int
    fires_at: int

    def payload(self) -> bytes:
        return self.LAYOUT.pack(self.nonce, self.session, self.fires_at)

    @classmethod
    def parse(cls, payload: bytes) -> Self:
        return cls(*_unpack(cls.LAYOUT, payload, "armed"))


HostMessage = Hello | Limits | Arm | Voices | Disarm | Stop | Reset | Ping
ControllerMessage = Identity | Status | Pong | Refusal | LimitsSet | Armed

HOST_MESSAGES: dict[int, type[HostMessage]] = {
    m.TYPE: m for m in (Hello, Limits, Arm, Voices, Disarm, Stop, Reset, Ping)
}
CONTROLLER_MESSAGES: dict[int, type[ControllerMessage]] = {
    m.TYPE: m for m in (Identity, Status, Pong, Refusal, LimitsSet, Armed)
}


def parse_host_message(type_code: int, payload: bytes) -> HostMessage:
    """The message in a host's frame. Raises MessageError, with the reason to answer."""
    kind = HOST_MESSAGES.get(type_code)
    if kind is None:
        raise MessageError(Reason.UNKNOWN_TYPE, f"type {type_code:#04x}")
    return kind.parse(payload)


def parse_controller_message(type_code: int, payload: bytes) -> ControllerMessage:
    """The message in a controller's frame. Raises MessageError."""
    kind = CONTROLLER_MESSAGES.get(type_code)
    if kind is None:
        raise MessageError(Reason.UNKNOWN_TYPE, f"type {type_code:#04x}")
    return kind.parse(payload)


def limits_digest(build: int, board_id: int, boot_id: int, limits: Sequence[OutputLimits]) -> int:
    """CRC-32 (IEEE 802.3) over build, board id, boot id and each output's limits by output."""
    data = struct.pack("<III", build, board_id, boot_id)
    for item in sorted(limits, key=lambda one: one.output):
        data += item.payload()
    return zlib.crc32(data)


def ticks_between(later: int, earlier: int) -> int:
    """Signed difference of two tick counts modulo 2**32, in -2**31 .. 2**31 - 1."""
    return ((later - earlier + 0x8000_0000) & 0xFFFF_FFFF) - 0x8000_0000
