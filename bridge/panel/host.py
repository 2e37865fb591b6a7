"""The panel's web process, from the daemon's side: started, fed, listened to, never waited for.

The page is served by a process of its own: no request, no TLS handshake and no flood of them takes
time from the loop. Lines of JSON go both ways over a socket pair. What the process does not read in
time is left out, never queued; if it dies the music goes on, and it is started again.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from typing import Any

from bridge.clocks import HostS
from bridge.config import Config
from bridge.host_clock import host_now
from bridge.panel import commands as c
from bridge.panel.desk import Desk
from bridge.panel.tokens import token_path
from bridge.records import InterlockChanged, Record
from bridge.view import SiteView, as_text
from bridge.watcher import Watcher

SHOW_S = 0.163
"""Between two pictures for the pages."""
AGAIN_S = 1.1
"""Before a web process that died is started again."""
MOST_UNREAD = 64 * 1024
"""Bytes of one incomplete line; a web process that sends more is ended."""
MOST_A_SECOND = 300
"""Commands but stops; what comes above is thrown away and said."""


class PanelHost(Watcher):
    """One panel. `view`: the site as it is now. `say`: a line for the operator."""

    def __init__(
        self,
        config: Config,
        desk: Desk,
        view: Callable[[], SiteView],
        lines: Callable[[], list[tuple[str, str]]],
        say: Callable[[str], None],
    ) -> None:
        self._config = config
        self._desk = desk
        self._view = view
        self._lines = lines
        self._say = say
        self._socket: socket.socket | None = None
        self._unread = b""
        self._unsent = b""
        self._ended = asyncio.Event()
        self._fatal = ""
        self._announced = False
        self._process: subprocess.Popen[bytes] | None = None
        self._second, self._count = 0, 0
        self._show_soon: asyncio.Handle | None = None

    def recorded(self, at_s: HostS, record: Record) -> None:
        """A change of state reaches the pages at once."""
        if isinstance(record, InterlockChanged) and self._show_soon is None:
            self._show_soon = asyncio.get_running_loop().call_soon(self._show)

    async def run(self) -> None:
        """Until cancelled, or until the web process says that it can never serve."""
        try:
            while not self._fatal:
                self._start()
                await self._while_it_lives()
                self._stop_process()
                if not self._fatal:
                    self._say("panel: its web server ended; the music goes on, it starts again")
                    await asyncio.sleep(AGAIN_S)
        except OSError as error:
            self._say(f"panel: cannot be started: {error}; the music goes on without it")
        finally:
            self._stop_process()

    async def _while_it_lives(self) -> None:
        while not self._ended.is_set():
            self._show()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._ended.wait(), SHOW_S)

    # -- the process --------------------------------------------------------------------------

    def _start(self) -> None:
        ours, theirs = socket.socketpair()
        ours.setblocking(False)
        self._ended.clear()
        self._unread = self._unsent = b""
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "bridge.panel", str(theirs.fileno())],
                pass_fds=(theirs.fileno(),),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl-C is the daemon's to take
            )
        self._socket = ours
        asyncio.get_running_loop().add_reader(ours.fileno(), self._on_readable)
        panel = self._config.panel
        self._send(
            json.dumps(
                {
                    "panel": panel.model_dump(mode="json"),
                    "site": self._config.site.name,
                    "token_file": str(token_path(self._config)),
                    "token_given": panel.token_file is not None,
                }
            )
        )

    def _stop_process(self) -> None:
        if self._socket is not None:
            asyncio.get_running_loop().remove_reader(self._socket.fileno())
            self._socket.close()
            self._socket = None
        process, self._process = self._process, None
        if process is None:
            return
        for number, wait_s in ((signal.SIGTERM, 0.3), (signal.SIGKILL, 2.0)):
            if process.poll() is None:
                process.send_signal(number)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(wait_s)
                return

    # -- to the pages -------------------------------------------------------------------------

    def _show(self) -> None:
        self._show_soon = None
        if self._socket is None:
            return
        if self._unsent and not self._flush():
            return  # it has not read the last picture: this one is left out
        shown: dict[str, Any] = {
            "panel": self._desk.shown(host_now()),
            "lines": self._lines(),
        }
        extra = json.dumps(shown, separators=(",", ":"))
        self._send('{"view":' + as_text(self._view()) + "," + extra[1:])

    def _answer(self, seat: int, receipt: int, text: str) -> None:
        if not text and not receipt:
            return
        state = self._view_state()
        self._send(json.dumps({"seat": seat, "receipt": receipt, "text": text, "state": state}))

    def _view_state(self) -> str:
        return self._desk.state_word

    def _send(self, line: str) -> None:
        if len(self._unsent) > MOST_UNREAD:
            self._ended.set()  # it reads nothing at all
            return
        self._unsent += line.encode() + b"\n"
        self._flush()

    def _flush(self) -> bool:
        """True where nothing is left. Never waits."""
        if self._socket is None:
            return False
        try:
            sent = self._socket.send(self._unsent)
        except BlockingIOError:
            return False
        except OSError:
            self._ended.set()
            return False
        self._unsent = self._unsent[sent:]
        return not self._unsent

    # -- from the pages -----------------------------------------------------------------------

    def _on_readable(self) -> None:
        if self._socket is None:
            return
        try:
            data = self._socket.recv(MOST_UNREAD)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            asyncio.get_running_loop().remove_reader(self._socket.fileno())
            self._ended.set()
            return
        *lines, self._unread = (self._unread + data).split(b"\n")
        if len(self._unread) > MOST_UNREAD:
            self._ended.set()
            return
        said: list[c.Said] = []
        for line in lines:
            with contextlib.suppress(ValueError):
                said.append(c.parse_said(line))
        # Whatever else came with it, a stop goes first.
        said.sort(key=lambda one: not (isinstance(one, c.Asked) and _is_stop(one)))
        for one in said:
            self._take(one)

    def _take(self, said: c.Said) -> None:
        now_s = host_now()
        match said:
            case c.Asked() if _is_stop(said):
                self._desk.stop(said.who)
                self._answer(said.seat, said.receipt, "")
            case c.Asked():
                if not self._within_rate(now_s):
                    return
                text = self._desk.do(now_s, said.seat, said.who, said.command)
                self._answer(said.seat, said.receipt, text)
            case c.Gone():
                self._desk.gone(now_s, said.seat)
            case c.Ready():
                if not self._announced:
                    self._announced = True
                    self._say(
                        f"panel: {said.address} (to arm from it, sign in with the token in "
                        f"{token_path(self._config)})"
                    )
            case c.Trouble():
                if said.fatal:
                    self._fatal = said.text
                self._say(f"panel: {said.text}")

    def _within_rate(self, now_s: HostS) -> bool:
        if int(now_s) != self._second:
            self._second, self._count = int(now_s), 0
        self._count += 1
        if self._count == MOST_A_SECOND + 1:
            self._say("panel: too many commands: the rest of this second is thrown away")
        return self._count <= MOST_A_SECOND


def _is_stop(asked: c.Asked) -> bool:
    return isinstance(asked.command, c.Stop)
