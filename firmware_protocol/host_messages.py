"""Host → controller: the messages as immutable values ⇄ payload bytes. Sans I/O."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import ClassVar, NamedTuple, Self

from .catalogue import Reason
from .wire import MAX_SLOTS, VERSION, MessageError, OutputLimits, unpack


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
        return cls(*unpack(cls.LAYOUT, payload, "hello"))


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
        return cls(*unpack(cls.LAYOUT, payload, "arm"))


SLOT_LAYOUT = struct.Struct("<BBBBHHI")
"""A slot's fields on the wire, in their order."""


class Slot(NamedTuple):
    """One pulse train within a voices frame."""

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
        return SLOT_LAYOUT.pack(*self)


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
        if len(payload) != cls.LAYOUT.size + mask.bit_count() * SLOT_LAYOUT.size:
            raise MessageError(Reason.WRONG_LENGTH, f"voices: {len(payload)} bytes, mask {mask:#x}")
        at = cls.LAYOUT.size
        slots: list[Slot | None] = []
        for index in range(mask.bit_length()):
            if mask >> index & 1:
                slots.append(Slot(*SLOT_LAYOUT.unpack_from(payload, at)))
                at += SLOT_LAYOUT.size
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
        unpack(cls.LAYOUT, payload, "disarm")
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
        return cls(*unpack(cls.LAYOUT, payload, "stop"))


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
        return cls(*unpack(cls.LAYOUT, payload, "reset"))


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
        return cls(*unpack(cls.LAYOUT, payload, "ping"))
