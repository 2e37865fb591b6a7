"""Which MIDI message stops the site. Asked where messages arrive and where they take effect."""

from __future__ import annotations

_CONTROL_CHANGE = 0xB0
_ON = 64
"""A switch is on from here (MIDI 1.0, controllers used as switches)."""


def is_stop(message: bytes, controller: int | None) -> bool:
    """A control change of `controller` (None: there is none) on any channel, switched on."""
    return (
        controller is not None
        and len(message) == 3
        and message[0] & 0xF0 == _CONTROL_CHANGE
        and message[1] == controller
        and message[2] >= _ON
    )
