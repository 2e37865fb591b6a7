"""One run's journal, read: what it is of, and every event in order."""

from __future__ import annotations

import json
import sqlite3
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.clocks import HostS
from bridge.config import Config
from bridge.interlock import Latch
from bridge.journal.about import config_from_json, make_source
from bridge.journal.codec import DamagedError, unpack
from bridge.journal.database import APPLICATION_ID, FORMAT
from bridge.journal.files import parts_of
from bridge.journal.values import Event
from bridge.latch_store import latch_from_text
from bridge.source import VoiceSource

Progress = Callable[[float], None]
"""Told now and then which share of the work is done, 0..1."""


class JournalError(Exception):
    """A journal that is missing, foreign or damaged; its text names the file and what to do."""


class UnbornError(JournalError):
    """A file in which nothing was ever committed: the run ended while it was being made."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """One batch: which rows of which file, when, and how much."""

    path: Path
    number: int
    first_s: float
    last_s: float
    day_s: float
    events: int


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
        for part in parts_of(path):
            try:
                self._read_part(part)
            except UnbornError:  # a later part in the making holds nothing, and costs nothing
                if not self.paths:
                    raise
            else:
                self.paths.append(part)

    def _read_part(self, path: Path) -> None:
        with _open(path) as db:
            about = {str(k): str(v) for k, v in _rows(db, path, "SELECT key, value FROM about")}
            if self.about and about.get("run") != self.about.get("run"):
                raise JournalError(f"{path}: is of another run; rename it back")
            self.about = self.about or about
            expected = 0
            query = "SELECT number, first_s, last_s, day_s, events FROM chunk ORDER BY number"
            for number, first_s, last_s, day_s, events in _rows(db, path, query):
                if number != expected:
                    self.gaps.append(f"{path.name}: batches {expected} to {number - 1} are gone")
                expected = number + 1
                self.chunks.append(Chunk(path, number, first_s, last_s, day_s, events))

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
        return latch_from_text(self.about["latch"])

    def source(self, config: Config) -> VoiceSource:
        """A fresh one. Raises JournalError."""
        try:
            return make_source(config, json.loads(self.about["source"]))
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
            with _open(path) as db:
                for index, chunk in of_path:
                    yield from _events(db, chunk)
                    if progress is not None:
                        progress((index + 1) / len(wanted))


def _open(path: Path) -> closing[sqlite3.Connection]:
    """For reading. Raises JournalError."""
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except OSError as error:
        raise JournalError(f"{path}: cannot be read: {error.strerror}") from error
    if head and head != b"SQLite format 3\0":
        raise JournalError(f"{path}: is not a journal of this program")
    try:
        db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=5.0)
    except sqlite3.Error as error:
        raise JournalError(f"{path}: cannot be opened: {error}") from error
    try:
        (application,) = db.execute("PRAGMA application_id").fetchone()
        (version,) = db.execute("PRAGMA user_version").fetchone()
        (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error as error:
        db.close()
        raise JournalError(f"{path}: is damaged, or not a journal: {error}") from error
    if application == 0 and tables == 0:
        db.close()
        raise UnbornError(f"{path}: is empty: the run ended before its first batch")
    if application != APPLICATION_ID:
        db.close()
        raise JournalError(f"{path}: is not a journal of this program")
    if version != FORMAT:
        db.close()
        raise JournalError(
            f"{path}: is of format {version}; this program reads {FORMAT}: use the version that "
            "wrote it"
        )
    return closing(db)


def _rows(db: sqlite3.Connection, path: Path, query: str) -> list[Any]:
    try:
        return db.execute(query).fetchall()
    except sqlite3.Error as error:
        raise JournalError(f"{path}: is damaged: {error}") from error


def _events(db: sqlite3.Connection, chunk: Chunk) -> Iterator[Event]:
    try:
        row = db.execute("SELECT body FROM chunk WHERE number = ?", (chunk.number,)).fetchone()
        if row is None:
            raise DamagedError("it is gone")
        yield from unpack(zlib.decompress(row[0]))
    except (sqlite3.Error, zlib.error, DamagedError) as error:
        raise JournalError(
            f"{chunk.path}: batch {chunk.number} is damaged: {error}; what lies before it can be "
            "read (show, export)"
        ) from error
