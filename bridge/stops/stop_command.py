"""`coilwarden stop`: stops a running daemon from another shell."""

from __future__ import annotations

import sys

from bridge.config import Config
from bridge.latch_store import LatchStore
from bridge.stops.shell_socket import StopFailedError, ask


def run(config: Config) -> int:
    """The command. 0: every connected controller confirmed; 1: told, not confirmed by all; 2: no
    daemon could be told."""
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
