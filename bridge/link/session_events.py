"""What a session tells the engine. Values only."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ArmConfirmed:
    """The controller armed; its horn may still sound."""


@dataclass(frozen=True, slots=True)
class HornEnded:
    """The controller fires from now on."""


@dataclass(frozen=True, slots=True)
class ArmRefused:
    reason: str


@dataclass(frozen=True, slots=True)
class ResetDone:
    """The controller is not tripped (any more)."""


@dataclass(frozen=True, slots=True)
class ResetRefused:
    reason: str


@dataclass(frozen=True, slots=True)
class BoardTripped:
    cause: int
    trip_number: int
    was_armed: bool


@dataclass(frozen=True, slots=True)
class BoardRestarted:
    was_armed: bool


@dataclass(frozen=True, slots=True)
class StopConfirmed:
    """A status said tripped after our stop."""


@dataclass(frozen=True, slots=True)
class Disagrees:
    """The controller's state is not the one this host left it in."""

    text: str


@dataclass(frozen=True, slots=True)
class GuardRefused:
    """Pulses the guard refused since arming, so far, and its last reason."""

    count: int
    last_reason: int


@dataclass(frozen=True, slots=True)
class FrameRefused:
    """A frame was refused outside arming and reset."""

    type_code: int
    reason: str
    detail: int


SessionEvent = (
    ArmConfirmed
    | HornEnded
    | ArmRefused
    | ResetDone
    | ResetRefused
    | BoardTripped
    | BoardRestarted
    | StopConfirmed
    | Disagrees
    | GuardRefused
    | FrameRefused
)
