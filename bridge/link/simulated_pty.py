"""The simulated board's end of a pty: read no faster than the line would carry, written as due.

Bytes that the host has written wait in the system until the line has carried those before them, as
with a real port. When the host closes its end the board goes on alone; a host may open it again.
A pty carries neither a break nor the modem lines.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import tty
from collections.abc import Callable
from pathlib import Path

CHUNK_BYTES = 100
"""Read ahead of the line: 2 ms at 500 kbaud, so that a timer that is late leaves no gap."""
ABSENT_POLL_S = 0.02
"""How often to look whether a host has opened its end."""


class PtyLine:
    """One pty with a symbolic link to the host's end of it."""

    def __init__(
        self,
        link: Path,
        on_bytes: Callable[[bytes], None],
        unsent_bytes: Callable[[], int],
        byte_s: float,
        *,
        on_opened: Callable[[], None] | None = None,
    ) -> None:
        self.link = link
        self._on_bytes = on_bytes
        self._unsent_bytes = unsent_bytes
        self._byte_s = byte_s
        self._on_opened = on_opened
        self._master = -1
        self._timer: asyncio.TimerHandle | None = None
        self._watching = False
        self.host_present = False

    def open(self) -> None:
        """Makes the pty and the link, replacing a link left behind. Raises OSError."""
        if os.path.lexists(self.link):
            if not self.link.is_symlink():
                raise FileExistsError(f"{self.link}: exists and is no symbolic link")
            self.link.unlink()
        self._master, slave = os.openpty()
        try:
            tty.setraw(slave)
            self.link.symlink_to(os.ttyname(slave))
        finally:
            os.close(slave)
        os.set_blocking(self._master, False)
        self._look()

    def close(self) -> None:
        """Takes the link away and closes the pty."""
        if self._master < 0:
            return
        self._stop_watching()
        if self._timer is not None:
            self._timer.cancel()
        with contextlib.suppress(FileNotFoundError):
            self.link.unlink()
        os.close(self._master)
        self._master = -1

    def send(self, data: bytes) -> None:
        """To the host, if there is one; what it does not read is lost, as on a wire."""
        if self.host_present and self._master >= 0:
            with contextlib.suppress(BlockingIOError, OSError):
                os.write(self._master, data)

    def _look(self) -> None:
        """Reads what the line can take now, then waits: for bytes, for the line, for a host."""
        self._timer = None
        if self._master < 0:
            return
        loop = asyncio.get_running_loop()
        room = CHUNK_BYTES - self._unsent_bytes()
        if room <= 0:
            self._stop_watching()
            wait_s = (1 - room + CHUNK_BYTES / 2) * self._byte_s
            self._timer = loop.call_later(wait_s, self._look)
            return
        try:
            data = os.read(self._master, room)
        except BlockingIOError:
            self._found_host()
            self._watch()
            return
        except OSError:  # EIO: nobody has the other end open
            self.host_present = False
            self._stop_watching()
            self._timer = loop.call_later(ABSENT_POLL_S, self._look)
            return
        self._found_host()
        self._on_bytes(data)
        if len(data) < room:
            self._watch()
        else:
            self._stop_watching()
            self._timer = loop.call_later(CHUNK_BYTES / 2 * self._byte_s, self._look)

    def _found_host(self) -> None:
        if not self.host_present:
            self.host_present = True
            if self._on_opened is not None:
                self._on_opened()

    def _watch(self) -> None:
        if not self._watching:
            self._watching = True
            asyncio.get_running_loop().add_reader(self._master, self._look)

    def _stop_watching(self) -> None:
        if self._watching:
            self._watching = False
            asyncio.get_running_loop().remove_reader(self._master)
