"""The event loop of the daemon and its simulated boards.

The usual selector of Linux (epoll) rounds every wait up to a whole millisecond, which is two thirds
of a voices frame on the line. `select` waits to the microsecond, and we have a handful of files.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

Result = TypeVar("Result")


def run(main: Coroutine[Any, Any, Result]) -> Result:
    """As asyncio.run, on a loop with exact timers."""

    def make() -> asyncio.AbstractEventLoop:
        return asyncio.SelectorEventLoop(selectors.SelectSelector())

    with asyncio.Runner(loop_factory=make) as runner:
        return runner.run(main)
