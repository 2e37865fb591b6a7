"""Where journals lie, and how much room they may take.

One file for each run of the daemon, more where a run is long: SITE.DAY-TIME-PID.PART.journal, the
time in UTC, so that names sort as they were written. SQLite's own files (-wal, -shm) lie beside.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterable
from pathlib import Path

from bridge.config import Config
from bridge.latch_store import site_slug, state_directory

SUFFIX = ".journal"
_NAME = re.compile(r"^(?P<site>.+)\.(?P<run>\d{8}-\d{6}-\d+)\.(?P<part>\d{3,})\.journal$")
PARTS = 8
"""Into so many files the room is cut, so that what goes first is an eighth at most."""


def journal_directory(config: Config) -> Path:
    """As configured, else beside the trip latch."""
    return config.journal.directory or state_directory(config) / "journal"


def run_name(config: Config) -> str:
    """Of a run that begins now."""
    moment = time.strftime("%Y%m%d-%H%M%S", time.gmtime())
    return f"{site_slug(config)}.{moment}-{os.getpid()}"


def part_path(directory: Path, run: str, part: int) -> Path:
    return directory / f"{run}.{part:03d}{SUFFIX}"


def run_of(path: Path) -> str | None:
    """The run a file belongs to; None for a name that is not ours."""
    found = _NAME.match(path.name)
    return f"{found['site']}.{found['run']}" if found else None


def parts_of(path: Path) -> list[Path]:
    """All files of the run that this one belongs to, in order; itself alone where it is renamed."""
    run = run_of(path)
    if run is None:
        return [path]
    return [p for p in journals(path.parent) if run_of(p) == run]


def journals(directory: Path, site: str | None = None) -> list[Path]:
    """Every journal there, the oldest first. `site`: only those of a site, by its slug."""
    found: list[tuple[str, Path]] = []
    for path in directory.glob(f"*{SUFFIX}"):
        match = _NAME.match(path.name)
        if match and (site is None or match["site"] == site):
            found.append((f"{match['run']}.{match['part']:>9}", path))
    return [path for _, path in sorted(found)]


def size_bytes(path: Path) -> int:
    """With what SQLite keeps beside it; 0 for one that is gone."""
    total = 0
    for name in (path, beside(path, "-wal"), beside(path, "-shm")):
        try:
            total += name.stat().st_size
        except OSError:
            continue
    return total


def make_room(directory: Path, site: str, most_bytes: int, keep: Iterable[Path]) -> list[Path]:
    """Deletes the site's oldest journals until no more than `most_bytes` are left. Never `keep`.

    Returns what was deleted. Raises OSError where one cannot be.
    """
    kept, gone = set(keep), list[Path]()
    found = journals(directory, site)
    total = sum(size_bytes(p) for p in found)
    for path in found:
        if total <= most_bytes:
            break
        if path in kept:
            continue
        total -= size_bytes(path)
        for name in (path, beside(path, "-wal"), beside(path, "-shm")):
            name.unlink(missing_ok=True)
        gone.append(path)
    return gone


def beside(path: Path, ending: str) -> Path:
    """SQLite's own file beside a journal: "-wal", "-shm"."""
    return path.with_name(path.name + ending)
