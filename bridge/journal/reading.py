"""One journal's file, opened for reading. What is damaged or foreign ends in one kind of error.

SQLite keeps in a column whatever it is given and has no checksums: what is read here is looked at
before anybody reckons with it.
"""

from __future__ import annotations

import math
import sqlite3
import time
import zlib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.journal.codec import DamagedError, unpack
from bridge.journal.database import APPLICATION_ID, FORMAT
from bridge.journal.files import beside, size_bytes
from bridge.journal.values import Event

MOST_BATCH_BYTES = 64_000_000
"""A hundred times what a batch comes to: more is damage, and not to be unpacked."""
_ABOUT = frozenset({"run", "part", "began_s", "began_day_s", "config_used", "latch", "source"})
"""What a file has to say of itself."""
_LONGEST_S = 1e8
"""Three years: a moment further from the run's begin, or from its batch, is damage."""


class JournalError(Exception):
    """A journal that is missing, foreign or damaged; its text names the file and what to do."""


class UnbornError(JournalError):
    """A file in which nothing was ever committed: the run ended while it was being made."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """One batch: which row of which file, when, and how much."""

    path: Path
    number: int
    first_s: float
    last_s: float
    day_s: float
    events: int


def open_journal(path: Path) -> closing[sqlite3.Connection]:
    """For reading. Raises JournalError."""
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except OSError as error:
        raise JournalError(f"{path}: cannot be read: {error.strerror}") from error
    if head and head != b"SQLite format 3\0":
        raise JournalError(f"{path}: is not a journal of this program")
    db = _connected(path)
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


def _connected(path: Path) -> sqlite3.Connection:
    """A reader keeps files of its own beside a journal in WAL mode; where it cannot, as on a medium
    that is write-protected, the file is taken as one that nobody changes."""
    uri = f"{path.resolve().as_uri()}?mode=ro"
    try:
        db = sqlite3.connect(uri, uri=True, timeout=5.0)
        try:
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.Error as error:
            db.close()
            if error.sqlite_errorcode & 0xFF not in (
                sqlite3.SQLITE_CANTOPEN,
                sqlite3.SQLITE_READONLY,
            ):
                raise
        else:
            return db
        if size_bytes(beside(path, "-wal")):
            raise JournalError(
                f"{path}: its end lies in the -wal file beside it, which cannot be read where "
                "nothing can be written: copy both to a folder of your own"
            )
        return sqlite3.connect(f"{uri}&immutable=1", uri=True)
    except sqlite3.Error as error:
        raise JournalError(f"{path}: is damaged, or not a journal: {error}") from error


def read_part(path: Path) -> tuple[dict[str, str], list[Chunk]]:
    """What the file says of itself, and its batches by number. Raises JournalError."""
    query = "SELECT number, first_s, last_s, day_s, events FROM chunk ORDER BY number"
    with open_journal(path) as db:
        try:
            said: list[Any] = db.execute("SELECT key, value FROM about").fetchall()
            rows: list[Any] = db.execute(query).fetchall()
            about = {str(k): str(v) for k, v in said}
            return about, _sound(path, about, rows)
        except (sqlite3.Error, ValueError, TypeError, OverflowError) as error:
            raise JournalError(f"{path}: is damaged: {error}") from error


def _sound(path: Path, about: dict[str, str], rows: list[Any]) -> list[Chunk]:
    """Raises ValueError, TypeError, OverflowError for what no journal holds."""
    if lacking := _ABOUT - about.keys():
        raise ValueError(f"it does not say its {', '.join(sorted(lacking))}")
    int(about["part"])
    time.localtime(float(about["began_day_s"]))  # it is a day that a calendar has
    began_s = float(about["began_s"])
    chunks = [Chunk(path, int(n), float(a), float(b), float(d), int(e)) for n, a, b, d, e in rows]
    for chunk in chunks:
        moments = (chunk.first_s - began_s, chunk.last_s - began_s)
        if not all(abs(m) < _LONGEST_S for m in moments):
            raise ValueError(f"batch {chunk.number} is of no time of this run")
    if not math.isfinite(began_s):
        raise ValueError(f"it began at {began_s} s")
    return chunks


def events(db: sqlite3.Connection, chunk: Chunk) -> Iterator[Event]:
    """Of one batch, in order. Raises JournalError at damage, once what lies before was given."""
    try:
        row = db.execute("SELECT body FROM chunk WHERE number = ?", (chunk.number,)).fetchone()
        if row is None:
            raise DamagedError("it is gone")
        for event in unpack(_unpressed(row[0])):
            if not abs(event.at_s - chunk.first_s) < _LONGEST_S:  # nor is what is no number
                raise DamagedError(f"an event at {event.at_s} s is not of its time")
            yield event
    except (sqlite3.Error, zlib.error, DamagedError) as error:
        raise JournalError(
            f"{chunk.path}: batch {chunk.number} is damaged: {error}; what lies before it can be "
            "read (show, export)"
        ) from error


def _unpressed(body: object) -> bytes:
    """As zlib.decompress, which has no bound. Raises zlib.error, DamagedError."""
    if not isinstance(body, bytes):
        raise DamagedError("it holds no bytes")
    unpresser = zlib.decompressobj()
    data = unpresser.decompress(body, MOST_BATCH_BYTES)
    if not unpresser.eof:
        raise DamagedError("its end is missing, or too far away")
    return data
