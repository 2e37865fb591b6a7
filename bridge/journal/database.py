"""One journal's file: SQLite in WAL mode, opened for writing. On the journal's own thread.

`chunk` holds what happened, a row for each batch: its number (without gaps), its first and last
host time, the time of day when it was written, how many events, and their bytes (codec.py) through
zlib, whose checksum tells of a damaged page. `about` says of which run, site, software and
configuration it is.

A batch is in the file when its commit has returned: killing the program loses nothing of it. A
power cut may cost the last seconds (synchronous = NORMAL), never the file.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Mapping
from pathlib import Path

APPLICATION_ID = 0x436F776A
"""In the file's head, so that a foreign database is told from a journal."""
FORMAT = 1
CHECKPOINT_PAGES = 500
"""The log beside the file is folded in when it has grown by so many pages of 4 KiB."""
_BUSY_S = 0.5
_TABLES = (
    "CREATE TABLE IF NOT EXISTS about (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS chunk (number INTEGER PRIMARY KEY, first_s REAL NOT NULL, "
    "last_s REAL NOT NULL, day_s REAL NOT NULL, events INTEGER NOT NULL, body BLOB NOT NULL)",
)


class Database:
    """A file being written. Every method raises sqlite3.Error or OSError where it cannot."""

    def __init__(self, path: Path, about: Mapping[str, str]) -> None:
        """Opens or makes the file."""
        self.path = path
        self._db = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
        try:
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = NORMAL")
            self._db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
            self._db.execute("BEGIN IMMEDIATE")
            self._db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            self._db.execute(f"PRAGMA user_version = {FORMAT}")
            for table in _TABLES:
                self._db.execute(table)
            self._db.executemany("INSERT OR IGNORE INTO about VALUES (?, ?)", about.items())
            (newest,) = self._db.execute("SELECT max(number) FROM chunk").fetchone()
            self._db.execute("COMMIT")
        except BaseException:
            self._db.close()
            raise
        self._next = 0 if newest is None else newest + 1

    def add(self, events: list[bytes], first_s: float, last_s: float, day_s: float) -> None:
        """One batch, all of it or nothing."""
        body = zlib.compress(b"".join(events), 1)
        row = (self._next, first_s, last_s, day_s, len(events), body)
        self._db.execute("INSERT INTO chunk VALUES (?, ?, ?, ?, ?, ?)", row)
        self._next += 1

    def size_bytes(self) -> int:
        (pages,) = self._db.execute("PRAGMA page_count").fetchone()
        (page,) = self._db.execute("PRAGMA page_size").fetchone()
        return pages * page

    def close(self) -> None:
        """Folds the log in, where there is room for it."""
        try:
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        finally:
            self._db.close()
