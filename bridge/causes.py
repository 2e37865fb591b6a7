"""Every cause of a trip: number, sentence, remedy, and how it clears. One catalogue, nothing else.

A cause clears in one of two ways, and never by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum

from firmware_protocol.catalogue import Cause as BoardCause


class Cause(IntEnum):
    """Why the site is tripped. Numbers below 32 are the controller's own (PROTOCOL.md)."""

    ESTOP_OPEN = BoardCause.ESTOP_OPEN
    ESTOP_DISAGREE = BoardCause.ESTOP_DISAGREE
    KEY_OFF = BoardCause.KEY_OFF
    LOCAL_STOP = BoardCause.LOCAL_STOP
    HOST_STOP = BoardCause.HOST_STOP
    LINE_BREAK = BoardCause.LINE_BREAK
    LEASE_EXPIRED = BoardCause.LEASE_EXPIRED
    WRONG_SESSION = BoardCause.WRONG_SESSION
    SETUP_WHILE_ARMED = BoardCause.SETUP_WHILE_ARMED
    GUARD_REFUSALS = BoardCause.GUARD_REFUSALS
    PIN_MISMATCH = BoardCause.PIN_MISMATCH
    WATCHDOG_RESET = BoardCause.WATCHDOG_RESET
    BROWN_OUT = BoardCause.BROWN_OUT
    RESET_WHILE_ARMED = BoardCause.RESET_WHILE_ARMED
    NOT_READY = BoardCause.NOT_READY
    INTERNAL_FAULT = BoardCause.INTERNAL_FAULT
    OPERATOR_STOP = 32
    MIDI_STOP = 33
    NETWORK_STOP = 34
    SIGNAL_STOP = 35
    CONTROLLER_LOST = 36
    STATUS_STALE = 37
    CONTROLLER_RESTARTED = 38
    ARMING_FAILED = 39
    HOST_STALLED = 40
    HOST_FAULT = 41
    INPUT_LOST = 42
    GUARD_REFUSED = 43
    CLOCK_OUT = 44
    HOST_RESTARTED = 45
    CONTROLLER_DISAGREES = 46
    LATCH_UNREADABLE = 47
    STOP_BUTTON = 48
    STOP_INPUT_FAULT = 49
    DEAD_MAN = 50


class Clears(Enum):
    """How a cause clears. None clears by itself: each needs the operator's reset as well."""

    BY_RESET = "by the operator's reset"
    WHEN_GONE = "by the operator's reset, once what caused it is gone at the device"


@dataclass(frozen=True, slots=True)
class CauseText:
    sentence: str
    remedy: str
    clears: Clears


_R, _G = Clears.BY_RESET, Clears.WHEN_GONE
CAUSES: dict[Cause, CauseText] = {
    Cause.ESTOP_OPEN: CauseText(
        "An emergency-stop input opened.",
        "Find out why it was pressed. Release the button at the button, then reset.",
        _G,
    ),
    Cause.ESTOP_DISAGREE: CauseText(
        "The two emergency-stop inputs disagreed: a contact or its wire is broken.",
        "Repair the emergency-stop circuit and prove both inputs before anything else.",
        _G,
    ),
    Cause.KEY_OFF: CauseText(
        "The key switch was turned off.", "Turn the key on at the controller, then reset.", _G
    ),
    Cause.LOCAL_STOP: CauseText(
        "The stop button on the controller was pressed.",
        "Ask who pressed it. Release it, then reset.",
        _G,
    ),
    Cause.HOST_STOP: CauseText(
        "The controller was told to stop.", "Make sure the site is clear, then reset.", _R
    ),
    Cause.LINE_BREAK: CauseText(
        "The serial line was held low: a host's stop, or a broken cable.",
        "If nobody pressed stop, check the cable and the adapter, then reset.",
        _G,
    ),
    Cause.LEASE_EXPIRED: CauseText(
        "The controller heard nothing in time: this computer or the link stood still.",
        "Look for what loads this computer or cuts the link, then reset.",
        _R,
    ),
    Cause.WRONG_SESSION: CauseText(
        "The controller received notes from another host's session.",
        "Find the second host on this line and remove it, then reset.",
        _R,
    ),
    Cause.SETUP_WHILE_ARMED: CauseText(
        "Something tried to set up the controller while it was armed.",
        "Find the second host on this line and remove it, then reset.",
        _R,
    ),
    Cause.GUARD_REFUSALS: CauseText(
        "The controller's guard refused too many pulses.",
        "Keep what the terminal printed: more was asked for than the limits allow. Do not play on "
        "blindly.",
        _R,
    ),
    Cause.PIN_MISMATCH: CauseText(
        "An output pin was not what was commanded.",
        "Take the mains off, check the output's wiring and the board; replace it if in doubt.",
        _G,
    ),
    Cause.WATCHDOG_RESET: CauseText(
        "The controller's program hung and its watchdog restarted it.",
        "Note when it happened; check supply and interference before going on, then reset.",
        _R,
    ),
    Cause.BROWN_OUT: CauseText(
        "The controller's supply voltage dipped.",
        "Check the controller's supply and grounding, then reset.",
        _R,
    ),
    Cause.RESET_WHILE_ARMED: CauseText(
        "The controller was reset or lost power while armed.",
        "Check its supply and who opens its port, then reset.",
        _R,
    ),
    Cause.NOT_READY: CauseText(
        "A coil's driver withdrew its ready light.",
        "Look at that driver's own indications before anything else; then reset.",
        _G,
    ),
    Cause.INTERNAL_FAULT: CauseText(
        "The controller found its own state impossible.",
        "Do not go on with this board; program it anew or replace it.",
        _R,
    ),
    Cause.OPERATOR_STOP: CauseText(
        "The operator pressed stop.", "Make sure the site is clear, then reset.", _R
    ),
    Cause.MIDI_STOP: CauseText(
        "A MIDI stop was received.", "Make sure the site is clear, then reset.", _R
    ),
    Cause.NETWORK_STOP: CauseText(
        "A stop came over the network.", "Ask who sent it, then reset.", _R
    ),
    Cause.SIGNAL_STOP: CauseText(
        "The daemon was told to end while armed or arming.",
        "Start it again, make sure the site is clear, then reset. To end without a trip: disarm, "
        "then quit.",
        _R,
    ),
    Cause.CONTROLLER_LOST: CauseText(
        "The link to a controller was lost.",
        "Check cable, adapter and the controller's supply; it reconnects by itself, locked or "
        "tripped. Then reset.",
        _G,
    ),
    Cause.STATUS_STALE: CauseText(
        "A controller's status stayed away for 250 ms.",
        "Check the link for noise (receive errors during bangs), then reset.",
        _R,
    ),
    Cause.CONTROLLER_RESTARTED: CauseText(
        "A controller restarted.", "Check its supply, then reset.", _R
    ),
    Cause.ARMING_FAILED: CauseText(
        "Not every controller confirmed arming in time.",
        "Read which one refused and why, put it right, then reset.",
        _R,
    ),
    Cause.HOST_STALLED: CauseText(
        "This computer stood still for 200 ms.",
        "Close what loads it (power saving, updates, swapping), then reset.",
        _R,
    ),
    Cause.HOST_FAULT: CauseText(
        "The daemon met an error it did not expect.",
        "Keep what the terminal printed; restart the daemon if it happens again. Then reset.",
        _R,
    ),
    Cause.INPUT_LOST: CauseText(
        "A MIDI input that is set to trip was lost.", "Reconnect it, then reset.", _G
    ),
    Cause.GUARD_REFUSED: CauseText(
        "A controller's guard refused pulses of this host.",
        "Keep what the terminal printed: more was asked for than the limits allow. Do not play on "
        "blindly.",
        _R,
    ),
    Cause.CLOCK_OUT: CauseText(
        "A controller's clock is outside ± 0.5 % or lost its step.",
        "Check the board's oscillator and the link, then reset.",
        _R,
    ),
    Cause.HOST_RESTARTED: CauseText(
        "The daemon ended while armed or arming, and was started again.",
        "Make sure the site is clear, then reset.",
        _R,
    ),
    Cause.CONTROLLER_DISAGREES: CauseText(
        "A controller's state is not the one this host left it in.",
        "Find out whether another host is on the line, then reset.",
        _R,
    ),
    Cause.LATCH_UNREADABLE: CauseText(
        "The record of the last trip could not be read.",
        "Check the state directory's disk and rights, then reset.",
        _R,
    ),
    Cause.STOP_BUTTON: CauseText(
        "A stop button beside the controllers' own was pressed, or its loop opened.",
        "Ask who pressed it. Release it at the button, then reset.",
        _G,
    ),
    Cause.STOP_INPUT_FAULT: CauseText(
        "A stop button's line is broken, or its adapter or keypad is gone.",
        "Repair or reconnect it and press it once to prove it, then reset.",
        _G,
    ),
    Cause.DEAD_MAN: CauseText(
        "The dead man's switch was let go.",
        "Look after whoever held it; make sure the site is clear, then reset.",
        _R,
    ),
}
