"""What the engine reports as it happens, for the terminal, the log and a journal. Values only."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.governor.reasons import HeldBack
from bridge.interlock import Change, Latch


@dataclass(frozen=True, slots=True)
class LatchChanged:
    """The latch must be written to disk before anything else goes out."""

    latch: Latch


@dataclass(frozen=True, slots=True)
class InterlockChanged:
    change: Change


@dataclass(frozen=True, slots=True)
class ArmDenied:
    """The operator asked to arm and these checks do not pass."""

    failed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ResetDenied:
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LinkChanged:
    controller: str
    text: str


@dataclass(frozen=True, slots=True)
class InputChanged:
    input_name: str
    text: str


@dataclass(frozen=True, slots=True)
class HeldBackChanged:
    """What the governor holds back on a coil is not what it was; empty: nothing any more."""

    coil: str
    held_back: tuple[HeldBack, ...]


@dataclass(frozen=True, slots=True)
class Remark:
    """Something worth a line: a refusal, a faded note, a voice held back."""

    source: str
    text: str


@dataclass(frozen=True, slots=True)
class StopProven:
    """A stop was pressed, and every controller was dark in time."""

    name: str
    dark_after_ms: float


Record = (
    LatchChanged
    | InterlockChanged
    | ArmDenied
    | ResetDenied
    | LinkChanged
    | InputChanged
    | HeldBackChanged
    | Remark
    | StopProven
)
