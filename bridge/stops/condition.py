"""What a stop input beside the controllers' own may be in. Values only."""

from __future__ import annotations

from enum import Enum


class Condition(Enum):
    """Nothing but CLOSED lets the site arm."""

    CLOSED = "closed"
    """Looked at, whole, and nobody presses it."""
    PRESSED = "pressed"
    """The button is pressed, or its loop is open: a closed loop cannot tell which."""
    BROKEN = "broken"
    """It says something that no whole button says."""
    ABSENT = "absent"
    """The adapter or the keypad is not there, or was not looked at yet."""
