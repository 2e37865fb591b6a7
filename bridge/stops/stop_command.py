"""`coilwarden stop`: stops a running daemon from another shell."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

from pydantic import TypeAdapter

from bridge.config import Config, Site, load_config
from bridge.config_errors import ConfigError
from bridge.config_section import Name
from bridge.latch_store import LatchStore
from bridge.stops.shell_socket import OTHERWISE, StopFailedError, ask


def run(path: Path) -> int:
    """The command. 0: every controller confirmed; 1: told, not confirmed by all; 2: no daemon could
    be told."""
    try:
        config = load_config(path)
    except ConfigError as error:
        print(error, file=sys.stderr)
        found = _named(path)
        if found is None:
            print(f"{path}: nothing was stopped. {OTHERWISE}", file=sys.stderr)
            return 2
        config = found
    try:
        answer = ask(LatchStore(config), "stop")
    except StopFailedError as error:
        print(error, file=sys.stderr)
        return 2
    print(f"{answer['site']}: {answer['state']}. {answer['trip']}")
    for name, state in answer["controllers"].items():
        print(f"  {name}: {state}")
    print(answer["caution"])
    return 0 if all(state == "stopped" for state in answer["controllers"].values()) else 1


def _named(path: Path) -> Config | None:
    """Of a site file with whatever mistakes, what its daemon's socket is found by. It may have been
    changed since the daemon read it, and a stop must not fail for that."""
    try:
        site = tomllib.loads(path.read_text(encoding="utf-8"))["site"]
        name = TypeAdapter[str](Name).validate_python(site["name"])
        folder = site.get("state_directory")
        kept = None if folder is None else Path(folder)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return Config.model_construct(site=Site.model_construct(name=name, state_directory=kept))
