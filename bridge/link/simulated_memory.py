"""A simulated board's memory in a file, so that it remembers a trip after its process was killed.

The file is JSON, written whole beside itself and then renamed, at every change.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, cast

from firmware_protocol.catalogue import Cause, State

from .simulated_settings import BoardMemory


def load_memory(path: Path) -> BoardMemory:
    """The memory kept at `path`, or a new one where there is no file. Raises ValueError."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return BoardMemory()
    try:
        kept = cast(dict[str, Any], json.loads(text))
        memory = BoardMemory(
            State(kept["state"]),
            Cause(kept["cause"]),
            int(kept["trip_number"]),
            int(kept["boot_id"]),
        )
    except (ValueError, KeyError, TypeError) as error:
        raise ValueError(
            f"{path}: not a simulated board's memory ({error}); delete it to begin anew"
        ) from error
    return memory


class MemoryFile:
    """Keeps one `BoardMemory` in a file; `save` writes only what has changed."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.memory = load_memory(path)
        self._saved: BoardMemory | None = None

    def save(self) -> None:
        """Writes the memory if it differs from what was written last. Raises OSError."""
        if self.memory == self._saved:
            return
        self.path.parent.mkdir(parents=True, exist_ok=True)
        beside = self.path.with_name(self.path.name + ".new")
        with beside.open("w", encoding="utf-8") as file:
            json.dump(asdict(self.memory), file)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self.path)
        self._saved = replace(self.memory)
