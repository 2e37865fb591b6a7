"""What the engine needs of whatever makes voices: the instrument, or the bang command's source."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from bridge.clocks import MusicS
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
