"""Controller → host: the messages as immutable values ⇄ payload bytes. Sans I/O."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import ClassVar, Self

from .catalogue import Reason
from .wire import MessageError, OutputLimits, unpack


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


COMPILED_CEILINGS = Ceilings(
    max_on_ticks=800,  # 400 µs
    min_off_ticks=200,  # 100 µs
    max_starts_1s=2000,
    max_duty_1s_ticks=240_000,  # 12 % of 1 s
)
"""What the reference board's program itself holds every output to (PROTOCOL.md, section 9)."""


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

    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<HHHBB6B")
    pulses: int
    collisions_dropped: int
    guard_refusals: int
    last_guard_reason: int
    queued: int
    refused_for: tuple[int, int, int, int, int, int]
    """Pulses the guard refused for each of its reasons, reason 1 first."""

    def payload(self) -> bytes:
        return self.LAYOUT.pack(
            self.pulses,
            self.collisions_dropped,
            self.guard_refusals,
            self.last_guard_reason,
            self.queued,
            *self.refused_for,
        )

    @classmethod
    def from_fields(cls, fields: tuple[int, ...]) -> Self:
        """What `LAYOUT` unpacks."""
        return cls(*fields[:5], fields[5:])  # pyright: ignore[reportArgumentType, reportCallIssue]


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
        per_output = tuple(map(OutputStatus.from_fields, OutputStatus.LAYOUT.iter_unpack(tail)))
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
        return cls(*unpack(cls.LAYOUT, payload, "pong"))


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
        return cls(*unpack(cls.LAYOUT, payload, "refusal"))


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
        (digest,) = unpack(cls.DIGEST, payload[size:], "limits set")
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
        return cls(*unpack(cls.LAYOUT, payload, "armed"))
