"""The trip latch on disk: it must survive a restart, a kill and a power cut.

One small JSON file per site, replaced atomically and flushed to the disk. A file that is not
exactly what `save` writes counts as a trip: permission is never guessed from a damaged record.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import re
import zlib
from pathlib import Path
from typing import Any, TypeVar, cast

from bridge.config import Config
from bridge.interlock import MOST_LATER, Cause, Interlock, Latch, State, Trip

T = TypeVar("T")


def state_directory(config: Config) -> Path:
    """Where this site's state lives: as configured, else the user's state directory."""
    if config.site.state_directory is not None:
        return config.site.state_directory
    base = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(base) / "coilwarden"


def site_slug(config: Config) -> str:
    """The site's name as files carry it."""
    name = config.site.name
    slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "site"
    # Two sites whose names differ only in other letters must not clear each other's trip.
    return f"{slug}-{zlib.crc32(name.encode()):08x}"


class LatchBusyError(Exception):
    """Two daemons must not share one latch: one would clear the other's trip."""


class LatchStore:
    """Loads and saves one site's latch."""

    def __init__(self, config: Config) -> None:
        self.path = state_directory(config) / f"{site_slug(config)}.latch.json"
        self._lock = -1

    def lock(self) -> None:
        """Takes the latch for this process until it ends. Raises LatchBusyError, OSError."""
        if self._lock >= 0:
            return
        self.path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(self.path.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            raise LatchBusyError(
                f"{self.path}: another daemon runs this site; end that one first, or give this "
                "site a name of its own"
            ) from None
        self._lock = descriptor

    def release(self) -> None:
        """Gives the latch to the next daemon."""
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def load(self) -> Latch:
        """What the last run left behind; a trip if that cannot be read."""
        try:
            text = self.path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return Latch()
        except (OSError, UnicodeDecodeError) as error:
            return _unreadable(str(error))
        try:
            return latch_from_text(text)
        except (ValueError, RecursionError) as error:
            return _unreadable(f"{self.path}: {error}")

    def save(self, latch: Latch) -> None:
        """Replaces the file atomically. Raises OSError."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        temporary = self.path.with_suffix(".new")
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(latch_as_text(latch).encode())
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, self.path)
        # The rename itself must reach the disk too; not every system can sync a directory.
        with contextlib.suppress(OSError):
            directory = os.open(self.path.parent, os.O_RDONLY)
            try:
                os.fsync(directory)
            finally:
                os.close(directory)


def _unreadable(detail: str) -> Latch:
    interlock = Interlock()
    interlock.trip(Cause.LATCH_UNREADABLE, "", detail)
    return interlock.latch


def latch_as_text(latch: Latch) -> str:
    """As the file holds it."""
    return json.dumps(_to_json(latch))


def latch_from_text(text: str) -> Latch:
    """Raises ValueError, RecursionError for anything that `latch_as_text` does not give."""
    return _from_json(json.loads(text))


def _to_json(latch: Latch) -> dict[str, Any]:
    trip = latch.trip
    return {
        "state": latch.state.value,
        "trips": latch.trips,
        "trip": None
        if trip is None
        else {
            "number": trip.number,
            "cause": int(trip.cause),
            "origin": trip.origin,
            "detail": trip.detail,
            "later": [[int(c), o] for c, o in trip.later],
        },
    }


def _from_json(raw: object) -> Latch:
    """Raises ValueError for anything that `_to_json` does not write."""
    data = _table(raw, {"state", "trips", "trip"})
    state = State(_exactly(data["state"], str))
    trips = _exactly(data["trips"], int)
    trip = None if data["trip"] is None else _trip(data["trip"])
    if (state is State.TRIPPED) != (trip is not None):
        raise ValueError(f"{state.value}, with a trip" if trip else f"{state.value}, but no trip")
    if trips < 0 or (trip is not None and trip.number != trips):
        raise ValueError(f"{trips} trips do not fit the trip's number")
    return Latch(state, trip, trips)


def _trip(raw: object) -> Trip:
    data = _table(raw, {"number", "cause", "origin", "detail", "later"})
    later: list[tuple[Cause, str]] = []
    for item in _list(data["later"]):
        pair = _list(item)
        if len(pair) != 2:
            raise ValueError(f"a later cause of {len(pair)} parts")
        later.append((Cause(_exactly(pair[0], int)), _exactly(pair[1], str)))
    if len(later) > MOST_LATER:
        raise ValueError(f"{len(later)} later causes")
    return Trip(
        number=_exactly(data["number"], int),
        cause=Cause(_exactly(data["cause"], int)),
        origin=_exactly(data["origin"], str),
        detail=_exactly(data["detail"], str),
        later=tuple(later),
    )


def _table(raw: object, keys: set[str]) -> dict[str, Any]:
    table = cast(dict[str, Any], _exactly(raw, dict))
    if set(table) != keys:
        raise ValueError(f"keys {sorted(table)}, expected {sorted(keys)}")
    return table


def _list(raw: object) -> list[Any]:
    return cast(list[Any], _exactly(raw, list))


def _exactly(value: object, kind: type[T]) -> T:
    # Not isinstance: true is an int to Python, and cause 1 is an emergency stop.
    if type(value) is not kind:
        raise ValueError(f"{value!r} is not of type {kind.__name__}")
    return value
