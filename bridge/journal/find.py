"""What a command's argument means: a journal, a folder of them, or a site file."""

from __future__ import annotations

from pathlib import Path

from bridge.config import load_config
from bridge.config_errors import ConfigError
from bridge.journal.files import SUFFIX, journal_directory, journals, run_of
from bridge.journal.night import Night
from bridge.journal.reading import JournalError, UnbornError
from bridge.latch_store import site_slug


def nights(where: Path) -> list[Path]:
    """The first file of every run there, the oldest run first. Raises JournalError."""
    if where.is_dir():
        directory, site = where, None
    elif where.suffix == SUFFIX:
        directory, site = where.parent, None
    else:
        directory, site = _of_site(where)
        if not directory.is_dir():
            raise JournalError(f"{directory}: nothing has been recorded yet for {where}")
    first: dict[str, Path] = {}
    for path in journals(directory, site):
        first.setdefault(run_of(path) or path.name, path)
    return list(first.values())


def night(where: Path) -> Night:
    """The journal itself, or the newest of a site or folder. Raises JournalError."""
    if where.is_file() and _is_site_file(where):
        return _newest(where, f"{where}: no journal of this site yet; see: coilwarden serve")
    if where.is_dir():
        return _newest(where, f"{where}: there is no journal in this folder")
    return Night(where)


def _newest(where: Path, none: str) -> Night:
    """Runs that ended before anything was recorded are passed over."""
    for path in reversed(nights(where)):
        try:
            return Night(path)
        except UnbornError:
            continue
    raise JournalError(none)


def _is_site_file(path: Path) -> bool:
    return path.suffix == ".toml"


def _of_site(path: Path) -> tuple[Path, str]:
    try:
        config = load_config(path)
    except ConfigError as error:
        raise JournalError(str(error)) from error
    return journal_directory(config), site_slug(config)
