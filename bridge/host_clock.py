"""The host's clock, read. Shell: the pure core is told the time and never asks."""

from __future__ import annotations

import time

from bridge.clocks import HostS


def host_now() -> HostS:
    """Now, by this computer's monotonic clock; the clock of asyncio's loop too."""
    return HostS(time.monotonic())
