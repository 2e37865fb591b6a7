"""The panel with open pages, for bench_latency.py."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import AsyncGenerator

from bridge.host_clock import host_now
from bridge.panel.desk import Desk
from bridge.panel.host import PanelHost
from bridge.service import Service
from bridge.stage import Stage
from bridge.view import site_view

PAGES = """
import asyncio, json, sys, websockets
async def page():
    live = f"ws://127.0.0.1:{sys.argv[1]}/live"
    async with websockets.connect(live, origin=f"http://127.0.0.1:{sys.argv[1]}") as socket:
        async def ask():
            for number in range(10**6):
                await socket.send(json.dumps({"echo": number}))
                await asyncio.sleep(0.3)
        asking = asyncio.create_task(ask())
        print("open", flush=True)
        async for _ in socket:
            pass
async def main():
    await asyncio.gather(*(page() for _ in range(int(sys.argv[2]))))
asyncio.run(main())
"""
"""What open pages take and send, without the browsers, which are on other machines."""


@contextlib.asynccontextmanager
async def panel(service: Service, stage: Stage, pages: int) -> AsyncGenerator[None]:
    """The panel as `serve` runs it, with so many pages open; none: no panel either."""
    if not pages:
        yield
        return
    said: list[str] = []
    host = PanelHost(
        service.config,
        Desk(service, stage, said.append),
        lambda: site_view(service.engine, host_now()),
        list,
        said.append,
    )
    service.watchers.add(host)
    running = asyncio.create_task(host.run())
    while not any("http://" in line for line in said):  # noqa: ASYNC110
        await asyncio.sleep(0.05)
    client = await asyncio.create_subprocess_exec(
        sys.executable, "-c", PAGES, str(service.config.panel.port), str(pages),
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert client.stdout is not None
    for _ in range(pages):
        assert await client.stdout.readline() == b"open\n"
    print(f"panel: {pages} pages open")
    try:
        yield
    finally:
        client.kill()
        await client.wait()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
