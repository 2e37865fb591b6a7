"""The web process's application without a daemon: what pages ask is noted, pictures come by hand.

For what a page does by itself, in whatever state and at whatever size: nothing has to be started
but a thread. What daemon and page do together is in test_page*.py.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any, cast

import uvicorn

from bridge.interlock import Cause, State
from bridge.panel.app import build
from bridge.panel.desk import Desk
from bridge.panel.shared import Panel
from bridge.service import Service
from bridge.view import SiteView, as_text, site_view
from tests.panel.test_desk import FakeService
from tests.panel.web import TOKEN, Daemon
from tests.ports import free_port


class Alone:
    """`address` is served while inside `running`."""

    def __init__(self) -> None:
        self.daemon = Daemon(time.monotonic)
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}/"
        self.service = FakeService()
        self.desk = Desk(cast(Service, self.service), self.service.stage, lambda line: None)
        self.alive = True
        """False: the daemon says nothing any more."""
        self.change: Callable[[SiteView], SiteView] = lambda view: view
        """What the pages are shown instead of what the engine's view is."""
        panel = Panel(self.daemon.wire, {"Mara": TOKEN}, time.monotonic, False, (), self.port)
        self._server = uvicorn.Server(
            uvicorn.Config(
                build(panel),
                port=self.port,
                log_level="error",
                lifespan="off",
                timeout_graceful_shutdown=1,
            )
        )
        # Python's own signal handlers are the main thread's.
        self._server.capture_signals = contextlib.nullcontext  # type: ignore[method-assign]

    def become(self, state: State) -> None:
        """The interlock's, without a controller."""
        interlock = self.service.engine.interlock
        if state is State.TRIPPED:
            self.service.engine.trip(cast(Any, 1.0), Cause.ESTOP_OPEN, "North rack", "")
            return
        interlock.disarm()
        interlock.reset(no_cause_lasts=True)
        if state in (State.ARMING, State.ARMED):
            interlock.arm(True)
        if state is State.ARMED:
            interlock.confirmed()

    def _picture(self) -> str:
        shown = {"panel": self.desk.shown(cast(Any, 1.0)), "lines": [("21:04:05", "a line")]}
        view = self.change(site_view(self.service.engine, cast(Any, 1.0)))
        return '{"view":' + as_text(view) + "," + json.dumps(shown)[1:]

    async def _feed(self) -> None:
        wire = self.daemon.wire
        while True:
            if self.alive:
                wire.heard_s = time.monotonic()
                async with wire.changed:
                    wire.picture = self._picture()
                    wire.pictures += 1
                    wire.changed.notify_all()
            await asyncio.sleep(0.1)

    async def _serve(self) -> None:
        feeding = asyncio.create_task(self._feed())
        await self._server.serve()
        feeding.cancel()

    @contextlib.contextmanager
    def running(self) -> Iterator[None]:
        thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        thread.start()
        deadline_s = time.monotonic() + 20
        while not self._server.started:
            assert time.monotonic() < deadline_s, "it serves"
            time.sleep(0.01)
        try:
            yield
        finally:
            self._server.should_exit = True
            thread.join(10)
