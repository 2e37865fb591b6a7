"""The journal's own thread: takes what waits, in batches, and writes it.

`put` never waits. What waits for the disk is bounded: beyond `MOST_WAITING` new things are not
kept, they are counted, and their number stands in the journal where they are missing. A disk that
is full or gone stops nothing but the record: it is tried again and again, and what still waits then
is written after all.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path

from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.journal.codec import pack_missing, pack_record
from bridge.journal.database import Database
from bridge.journal.files import PARTS, make_room, part_path
from bridge.journal.values import JournalState, Missing
from bridge.records import Record

BATCH_S = 0.233
"""What is older than this is in the file, as long as the disk keeps up. Beats with nothing."""
MOST_WAITING = 100_000
"""A minute of a flood, some 15 MB."""
MOST_IN_BATCH = 5_000
AGAIN_S = 1.37
"""Between two tries at a disk that could not take it."""
ROOM_S = 5.3
"""Between two looks at how much room the journals take."""
LEAVE_S = 2.0
"""How long leaving waits for a disk."""

Waiting = tuple[HostS, bytes | Record]


class Writer:
    """Made and fed on the loop's thread, writes on one of its own."""

    def __init__(
        self,
        directory: Path,
        site: str,
        run: str,
        most_bytes: int,
        about: Callable[[], Mapping[str, str]],
    ) -> None:
        """`about`: what the file says of itself; called on the thread."""
        self._directory, self._site, self._run = directory, site, run
        self._most_bytes = most_bytes
        self._about = about
        self._waiting: deque[Waiting] = deque()
        self._lost = 0
        self._lost_since_s: HostS | None = None
        self._lost_here = 0
        self._unpackable = 0
        """Lost on the thread; the loop counts for itself."""
        self._leaving = False
        self._wake = threading.Event()
        self._problem = ""
        self._database: Database | None = None
        self._path = ""
        self._part = 1
        self._room_due_s = 0.0
        self._thread = threading.Thread(target=self._run_thread, name="journal", daemon=True)

    # -- on the loop's thread -----------------------------------------------------------------

    def start(self) -> None:
        self._thread.start()

    def put(self, at_s: HostS, what: bytes | Record) -> None:
        """Packed bytes of one event, or a record to be packed on the thread."""
        if len(self._waiting) >= MOST_WAITING:
            self._lost += 1
            self._lost_here += 1
            if self._lost_since_s is None:
                self._lost_since_s = at_s
            return
        if self._lost_since_s is not None:
            gap = Missing(at_s, self._lost_here, self._lost_since_s)
            self._waiting.append((at_s, pack_missing(gap)))
            self._lost_since_s, self._lost_here = None, 0
        self._waiting.append((at_s, what))

    def hurry(self) -> None:
        """Something worth not waiting for a batch: a trip."""
        self._wake.set()

    @property
    def state(self) -> JournalState:
        problem = self._problem
        recording = not problem and self._database is not None and self._thread.is_alive()
        return JournalState(recording, self._path, self._lost + self._unpackable, problem)

    def close(self) -> None:
        """Writes what waits, as far as the disk lets it."""
        self._leaving = True
        self._wake.set()
        if self._thread.ident is not None:
            self._thread.join(LEAVE_S)

    # -- on its own thread --------------------------------------------------------------------

    def _run_thread(self) -> None:
        batch: list[Waiting] = []
        while True:
            left_by = self._leaving
            try:
                self._write_all(batch)
                self._problem = ""
            except (sqlite3.Error, OSError) as error:
                self._trouble(error)
                if left_by:
                    return
                self._wake.wait(AGAIN_S)
            except Exception as error:  # its own fault: said, and the music goes on
                self._trouble(error)
                self._give_up(batch)
                if left_by:
                    return
                self._wake.wait(AGAIN_S)
            else:
                if left_by:
                    break
                self._wake.wait(BATCH_S)
            self._wake.clear()
        self._close_database()

    def _write_all(self, batch: list[Waiting]) -> None:
        """All that waits now; what a failure leaves is still in `batch`, to be tried again."""
        waiting = self._waiting
        while True:
            left = len(waiting)
            while left and len(batch) < MOST_IN_BATCH:
                batch.append(waiting.popleft())
                left -= 1
            database = self._opened()
            if batch:
                packed = [
                    what if isinstance(what, bytes) else self._packed(at_s, what)
                    for at_s, what in batch
                ]
                database.add(packed, batch[0][0], batch[-1][0], time.time())
                batch.clear()
            if not left:
                break
        if (now_s := host_now()) >= self._room_due_s:
            self._room_due_s = now_s + ROOM_S
            self._keep_bound()

    def _packed(self, at_s: HostS, record: Record) -> bytes:
        try:
            return pack_record(at_s, record)
        except Exception:  # one that cannot be packed keeps no other back
            self._unpackable += 1
            return pack_missing(Missing(at_s, 1, at_s))

    def _give_up(self, batch: list[Waiting]) -> None:
        """An error that nobody foresaw: the batch is counted like what had no room."""
        if batch:
            gap = Missing(batch[-1][0], len(batch), batch[0][0])
            self._unpackable += len(batch)
            batch[:] = [(gap.at_s, pack_missing(gap))]

    def _opened(self) -> Database:
        if self._database is None:
            self._directory.mkdir(parents=True, exist_ok=True)
            path = part_path(self._directory, self._run, self._part)
            try:
                self._database = Database(path, {**self._about(), "part": str(self._part)})
            except sqlite3.DatabaseError as error:
                if not isinstance(error, sqlite3.OperationalError) and path.exists():
                    self._part += 1  # damaged meanwhile: the next file begins
                raise
            self._path = str(path)
        return self._database

    def _keep_bound(self) -> None:
        database = self._database
        if database is not None and database.size_bytes() > self._most_bytes // PARTS:
            self._close_database()
            self._part += 1
            database = self._opened()
        keep = [] if database is None else [database.path]
        make_room(self._directory, self._site, self._most_bytes, keep)

    def _trouble(self, error: Exception) -> None:
        said = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        path = part_path(self._directory, self._run, self._part)
        self._problem = f"{path}: {said}"
        self._close_database()

    def _close_database(self) -> None:
        database, self._database = self._database, None
        if database is not None:
            try:
                database.close()
            except (sqlite3.Error, OSError):
                return  # what was committed stays committed; the next to open folds it in
