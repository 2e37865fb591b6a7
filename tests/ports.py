"""Ports for servers that tests start: no two test processes are given the same."""

from __future__ import annotations

import itertools
import os
import socket

_FIRST, _EACH = 20_000, 1_000
"""Below those that Linux gives away by itself (ip_local_port_range: 32,768 and up)."""
_numbers = itertools.count(os.getpid())
"""Begun anywhere, for the sake of a second run on the same machine."""


def free_port() -> int:
    """A TCP port on which nobody listens, of a range that is this pytest-xdist worker's own:
    between the look and its use no other test can take it."""
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw11").removeprefix("gw"))
    for number in itertools.islice(_numbers, _EACH):
        port = _FIRST + worker * _EACH + number % _EACH
        with socket.socket() as found:
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                found.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port
    raise OSError(f"no free port from {_FIRST + worker * _EACH} on")
