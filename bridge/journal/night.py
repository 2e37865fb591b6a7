"""One run's journal, read: what it is of, and every event in order."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

from bridge.clocks import HostS
from bridge.config import Config
from bridge.interlock import Latch
from bridge.journal.about import config_from_json, make_source
from bridge.journal.files import parts_of
from bridge.journal.reading import (
    Chunk,
    JournalError,
    UnbornError,
    events,
    open_journal,
    read_part,
)
from bridge.journal.values import Event
from bridge.latch_store import latch_from_text
from bridge.source import VoiceSource

Progress = Callable[[float], None]
"""Told now and then which share of the work is done, 0..1."""


class Night:
    """A run, all its files together. Raises JournalError for what cannot be read as one."""

    def __init__(self, path: Path) -> None:
        if not path.exists():
            raise JournalError(f"{path}: there is no such file; see: coilwarden journal list")
        self.paths: list[Path] = []
        """Its files, in order."""
        self.about: dict[str, str] = {}
        self.chunks: list[Chunk] = []
        self.gaps: list[str] = []
        """Batches that are not there, as sentences."""
        failed: list[JournalError] = []
        part = 0
        for piece in parts_of(path):
            try:
                about, chunks = read_part(piece)
                if self.about and about["run"] != self.about["run"]:
                    raise JournalError(f"{piece}: is of another run; rename it back")
            except UnbornError as error:  # a part in the making holds nothing, and costs nothing
                failed.append(error)
                continue
            except JournalError as error:  # the run's other parts can be read all the same
                failed.append(error)
                self.gaps.append(str(error))
                continue
            if part and int(about["part"]) != part + 1:
                self.gaps.append(f"{piece.name}: what lies between part {part} and it is gone")
            part = int(about["part"])
            self.about = self.about or about
            self.paths.append(piece)
            self._take(piece.name, chunks)
        if not self.paths:
            raise failed[0]

    def _take(self, name: str, chunks: list[Chunk]) -> None:
        expected = 0
        for chunk in chunks:
            if chunk.number != expected:
                self.gaps.append(f"{name}: batches {expected} to {chunk.number - 1} are gone")
            expected = chunk.number + 1
        self.chunks += chunks

    # -- what it is of ------------------------------------------------------------------------

    @property
    def began_s(self) -> HostS:
        return HostS(float(self.about["began_s"]))

    @property
    def began_day_s(self) -> float:
        return float(self.about["began_day_s"])

    @property
    def from_the_start(self) -> bool:
        """The run's first file is there, and so the state that everything began in."""
        return self.about.get("part") == "1"

    @property
    def events(self) -> int:
        return sum(c.events for c in self.chunks)

    @property
    def duration_s(self) -> float:
        return self.chunks[-1].last_s - self.began_s if self.chunks else 0.0

    def clock(self, at_s: float) -> str:
        """Time of day of a host time, HH:MM:SS.mmm, local, by the run's first moment."""
        day_s = self.began_day_s + (at_s - self.began_s)
        whole = time.strftime("%H:%M:%S", time.localtime(day_s))
        return f"{whole}.{int(day_s % 1 * 1000):03d}"

    def config(self) -> Config:
        """As it was used. Raises JournalError where today's program does not take it."""
        try:
            return config_from_json(self.about["config_used"])
        except ValueError as error:
            raise JournalError(
                f"{self.paths[0]}: its configuration, of version {self.about.get('version')}, is "
                f"not one that today's program takes: {error}"
            ) from error

    def latch(self) -> Latch:
        """As the run found it. Raises JournalError."""
        try:
            return latch_from_text(self.about["latch"])
        except (ValueError, RecursionError) as error:
            raise JournalError(f"{self.paths[0]}: is damaged: its latch: {error}") from error

    def source(self, config: Config) -> VoiceSource:
        """A fresh one. Raises JournalError."""
        try:
            described = json.loads(self.about["source"])
            if not isinstance(described, dict):
                raise ValueError("what was played is not told")
            return make_source(config, cast(dict[str, Any], described))
        except ValueError as error:
            raise JournalError(f"{self.paths[0]}: {error}") from error

    # -- what happened ------------------------------------------------------------------------

    def read(
        self,
        from_s: float = float("-inf"),
        to_s: float = float("inf"),
        progress: Progress | None = None,
    ) -> Iterator[Event]:
        """Events in order. `from_s`, `to_s`: host times; of whole batches that reach into them.

        Raises JournalError at a damaged batch, once everything before it was given.
        """
        wanted = [c for c in self.chunks if c.last_s >= from_s and c.first_s <= to_s]
        for path in self.paths:
            of_path = [(n, c) for n, c in enumerate(wanted) if c.path == path]
            if not of_path:
                continue
            with open_journal(path) as db:
                for index, chunk in of_path:
                    yield from events(db, chunk)
                    if progress is not None:
                        progress((index + 1) / len(wanted))
