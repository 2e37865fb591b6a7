"""The messages of the wire, both directions, and which type code means which. Sans I/O.

Little-endian throughout. Times are controller ticks modulo 2**32; periods are 1/256 ticks.
PROTOCOL.md says what each field means and which values are lawful; the values only pack them.
"""

from __future__ import annotations

from .catalogue import Reason
from .controller_messages import (
    COMPILED_CEILINGS,
    Armed,
    Ceilings,
    Identity,
    LimitsSet,
    OutputStatus,
    Pong,
    Refusal,
    Status,
)
from .host_messages import (
    Arm,
    Disarm,
    Hello,
    Limits,
    Ping,
    Reset,
    Slot,
    Stop,
    Voices,
)
from .wire import (
    CHECK_FLASH,
    CHECK_FUSES,
    FLAG_FORGET_LATER,
    FLAG_IMMEDIATE,
    GUARD_SLOTS,
    INPUT_ESTOP_A,
    INPUT_ESTOP_B,
    INPUT_KEY,
    INPUT_LOCAL_STOP,
    INPUT_READY_1,
    MAX_AHEAD_TICKS,
    MAX_LATE_TICKS,
    MAX_LEASE_TICKS,
    MAX_SLOTS,
    PERIOD_UNITS_PER_TICK,
    PING_WANTS_NONCE,
    STEP_UNITS,
    TICK_HZ,
    VERSION,
    MessageError,
    OutputLimits,
    limits_digest,
    ticks_between,
)

__all__ = [
    "CHECK_FLASH",
    "CHECK_FUSES",
    "COMPILED_CEILINGS",
    "CONTROLLER_MESSAGES",
    "FLAG_FORGET_LATER",
    "FLAG_IMMEDIATE",
    "GUARD_SLOTS",
    "HOST_MESSAGES",
    "INPUT_ESTOP_A",
    "INPUT_ESTOP_B",
    "INPUT_KEY",
    "INPUT_LOCAL_STOP",
    "INPUT_READY_1",
    "MAX_AHEAD_TICKS",
    "MAX_LATE_TICKS",
    "MAX_LEASE_TICKS",
    "MAX_SLOTS",
    "PERIOD_UNITS_PER_TICK",
    "PING_WANTS_NONCE",
    "STEP_UNITS",
    "TICK_HZ",
    "VERSION",
    "Arm",
    "Armed",
    "Ceilings",
    "ControllerMessage",
    "Disarm",
    "Hello",
    "HostMessage",
    "Identity",
    "Limits",
    "LimitsSet",
    "MessageError",
    "OutputLimits",
    "OutputStatus",
    "Ping",
    "Pong",
    "Refusal",
    "Reset",
    "Slot",
    "Status",
    "Stop",
    "Voices",
    "limits_digest",
    "parse_controller_message",
    "parse_host_message",
    "ticks_between",
]

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
