"""Every number on the wire that has a name: states, trip causes, refusal and guard reasons.

Nothing else may live here. PROTOCOL.md prints these tables; a test compares the two.
"""

from __future__ import annotations

from enum import IntEnum


class State(IntEnum):
    """What the controller permits."""

    LOCKED = 0
    ARMED = 1
    TRIPPED = 2
    WARNING = 3
    """Arming accepted, the horn sounds; no pulse until it has ended. Every rule of ARMED holds."""


class Cause(IntEnum):
    """Why a controller is tripped; remembered through reset and power-off."""

    NONE = 0
    ESTOP_OPEN = 1
    ESTOP_DISAGREE = 2
    KEY_OFF = 3
    LOCAL_STOP = 4
    HOST_STOP = 5
    LINE_BREAK = 6
    LEASE_EXPIRED = 7
    WRONG_SESSION = 8
    SETUP_WHILE_ARMED = 9
    GUARD_REFUSALS = 10
    PIN_MISMATCH = 11
    WATCHDOG_RESET = 12
    BROWN_OUT = 13
    RESET_WHILE_ARMED = 14
    NOT_READY = 15
    INTERNAL_FAULT = 16


class Reason(IntEnum):
    """Why a controller refused a frame."""

    UNKNOWN_TYPE = 1
    WRONG_LENGTH = 2
    WRONG_VERSION = 3
    NOT_LOCKED = 4
    NO_SUCH_OUTPUT = 5
    ABOVE_CEILING = 6
    WOULD_LOOSEN = 7
    BAD_LIMITS = 8
    BAD_NONCE = 9
    WRONG_DIGEST = 10
    IS_TRIPPED = 11
    ESTOP_IS_OPEN = 12
    ESTOP_UNPROVEN = 13
    KEY_IS_OFF = 14
    LOCAL_STOP_PRESSED = 15
    BOARD_CHECK_FAILED = 16
    NO_LIMITS = 17
    OUTPUT_NOT_READY = 18
    NOT_ARMED = 19
    WRONG_SESSION = 20
    BAD_EXPIRY = 21
    TOO_FAR_AHEAD = 22
    TOO_LATE = 23
    QUEUE_FULL = 24
    BAD_SLOT = 25
    NOT_TRIPPED = 26
    WRONG_TRIP = 27
    CAUSE_REMAINS = 28


class GuardReason(IntEnum):
    """Why the guard refused a pulse."""

    NONE = 0
    ON_TIME = 1
    OFF_TIME = 2
    RATE = 3
    DUTY_1S = 4
    DUTY_SECOND = 5
    DUTY_THIRD = 6


class ResetCause(IntEnum):
    """What started the controller's program."""

    POWER_ON = 0
    EXTERNAL = 1
    WATCHDOG = 2
    BROWN_OUT = 3


class StopSource(IntEnum):
    """Who asked for the stop; carried for the record only."""

    OPERATOR = 1
    MIDI = 2
    NETWORK = 3
    SIGNAL = 4
    FAULT = 5
    OTHER_CONTROLLER = 6
