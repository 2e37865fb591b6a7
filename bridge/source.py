"""What the engine needs of whatever makes voices: the instrument, or the bang command's source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from bridge.clocks import HostS, MusicS
from bridge.music.voices import VoiceAsk


class VoiceSource(Protocol):
    """Pure: explicit times of the timeline, never decreasing; answers per coil name."""

    def midi(self, now_s: MusicS, input_name: str, message: bytes) -> None: ...

    def input_lost(self, now_s: MusicS, input_name: str) -> None: ...

    def hush(self, now_s: MusicS) -> None: ...

    def tick(self, now_s: MusicS) -> None: ...

    def voices(self, now_s: MusicS) -> dict[str, tuple[VoiceAsk, ...]]: ...

    def moving(self) -> bool: ...

    def next_deadline_s(self) -> MusicS | None: ...

    def notes_held(self) -> bool: ...

    def take_events(self) -> Sequence[object]: ...

    def take_commands(self) -> Sequence[tuple[str, tuple[float, ...]]]:
        """What its own commands have told it since: a name and numbers each."""
        ...

    def do(self, command: str, numbers: tuple[float, ...]) -> None:
        """One of those once more, elsewhere (a replay). Raises ValueError for one it has not."""
        ...


@runtime_checkable
class Attenuates(Protocol):
    """A source whose operator may take away of what others play beside it."""

    def attenuated(
        self, asks: dict[str, tuple[VoiceAsk, ...]]
    ) -> dict[str, tuple[VoiceAsk, ...]]: ...


@dataclass(frozen=True, slots=True)
class ShowStatus:
    """Where a show is, as plain values for whoever shows it."""

    name: str
    """Of the item."""
    item: int
    """From 1."""
    items: int
    transport: str
    bar: int
    position_s: float
    """Negative while it counts down."""
    left_s: float
    clock: str
    """What the item's time goes by."""

    def line(self) -> str:
        return (
            f"item {self.item} of {self.items}, {self.name}: {self.transport} · bar {self.bar} · "
            f"{self.position_s:.1f} s, {self.left_s:.0f} s left · by {self.clock}"
        )


@runtime_checkable
class ScoreFeed(Protocol):
    """A source that also brings events whose time is known beforehand: a show. Pure."""

    ahead_s: float
    """How far ahead of their time what it brings must be sent."""

    def lead(self, lead_s: float) -> None:
        """Told once: how far the timeline runs ahead of host time."""
        ...

    def take(self, until_s: MusicS) -> Sequence[tuple[MusicS, str, bytes]]:
        """Events that take effect up to `until_s`, each once: (time, input name, message)."""
        ...

    def next_event_s(self) -> MusicS:
        """When the next one takes effect; infinite if none is known."""
        ...

    def darkened(self, now_s: HostS, at_s: MusicS) -> None:
        """Permission was withdrawn now; `at_s` is the timeline's present."""
        ...

    def status(self, now_s: HostS) -> ShowStatus: ...
