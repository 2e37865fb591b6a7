"""Which MIDI message stops the site. Asked where messages arrive and where they take effect."""

from __future__ import annotations

from bridge.stops.config_stops import StopNote

_NOTE_ON = 0x90
_CONTROL_CHANGE = 0xB0
_ON = 64
"""A switch is on from here (MIDI 1.0, controllers used as switches)."""


def switched(message: bytes, controller: int | None) -> bool | None:
    """What a control change of `controller`, on any channel, says of it as a switch; None: the
    message is no such thing."""
    if len(message) != 3 or message[0] & 0xF0 != _CONTROL_CHANGE or message[1] != controller:
        return None
    return message[2] >= _ON


def is_stop(message: bytes, controller: int | None, note: StopNote | None = None) -> bool:
    """A control change of `controller` on any channel, switched on; or `note` struck, at whatever
    velocity but 0. None: there is no such stop."""
    if switched(message, controller):
        return True
    return (
        note is not None
        and len(message) == 3
        and message[0] == _NOTE_ON | note.channel - 1
        and message[1] == note.note
        and message[2] > 0
    )
