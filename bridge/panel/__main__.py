"""The panel's web process: `python -m bridge.panel FD`, started by the daemon and by nobody else.

FD is its end of a socket pair. When the daemon goes, so does this.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import logging
import os
import socket
import ssl
import sys
import time
from pathlib import Path
from typing import Any

import uvicorn

from bridge.config_panel import Panel as Settings
from bridge.panel import commands as c
from bridge.panel.app import build
from bridge.panel.shared import Panel
from bridge.panel.tokens import TokenError, load_tokens
from bridge.panel.wire import Wire

MOST_MESSAGE = 4096
MOST_LINE = 4 * 1024 * 1024


class _Server(uvicorn.Server):
    """Signals are the daemon's business: it ends this process."""

    @contextlib.contextmanager
    def capture_signals(self) -> Any:
        yield


def listen(address: str, port: int) -> socket.socket:
    """A listening socket. Raises OSError."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((address, port))
        listening.listen(64)
    except OSError:
        listening.close()
        raise
    return listening


def why_not(error: OSError, address: str, port: int) -> str:
    """For the operator: what is wrong and what to do."""
    if error.errno == errno.EADDRINUSE:
        what = f"port {port} on {address} is in use; give [panel] another port in the site file"
    elif error.errno == errno.EADDRNOTAVAIL:
        what = f"this machine has no address {address}; correct [panel] address in the site file"
    else:
        what = f"{address} port {port}: {error.strerror}"
    return f"{what}. The music goes on without a panel."


async def serve(connection: socket.socket) -> None:
    reader, writer = await asyncio.open_connection(sock=connection, limit=MOST_LINE)
    told = json.loads(await reader.readline())
    settings = Settings.model_validate({k: v for k, v in told["panel"].items() if v is not None})
    wire = Wire(writer, time.monotonic)

    def give_up(text: str) -> None:
        wire.say(c.Trouble(text=text[:400], fatal=True))

    try:
        tokens = load_tokens(Path(told["token_file"]), make=not told["token_given"])
    except TokenError as error:
        give_up(f"{error}. The music goes on without a panel.")
        return
    # Addresses and the like of them are logged nowhere; what is an error is told by its type.
    logging.disable(logging.CRITICAL)
    panel = Panel(wire, tokens, time.monotonic, settings.tls, settings.names, settings.port)
    config = uvicorn.Config(
        build(panel),
        access_log=False,
        log_config=None,
        lifespan="off",
        server_header=False,
        date_header=False,
        proxy_headers=False,
        ws_max_size=MOST_MESSAGE,
        ws_max_queue=16,
        ws_ping_interval=5.0,
        ws_ping_timeout=5.0,
        ws_per_message_deflate=False,
        h11_max_incomplete_event_size=16 * 1024,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=1,
        ssl_certfile=settings.certificate,
        ssl_keyfile=settings.key,
    )
    try:
        config.load()
    except (OSError, ssl.SSLError) as error:
        files = f"{settings.certificate}, {settings.key}"
        give_up(f"TLS files {files}: {error}. The music goes on without a panel.")
        return
    try:
        listening = listen(settings.address, settings.port)
    except OSError as error:
        give_up(why_not(error, settings.address, settings.port))
        return
    server = _Server(config)
    serving = asyncio.create_task(server.serve(sockets=[listening]))
    name = f"[{settings.address}]" if ":" in settings.address else settings.address
    scheme = "https" if settings.tls else "http"
    wire.say(c.Ready(address=f"{scheme}://{name}:{settings.port}/"))
    reading = asyncio.create_task(wire.read(reader))
    await asyncio.wait({serving, reading}, return_when=asyncio.FIRST_COMPLETED)
    os._exit(0)  # the daemon is gone, and every page must see it at once


def main() -> None:
    connection = socket.socket(fileno=int(sys.argv[1]))
    connection.setblocking(False)
    asyncio.run(serve(connection))


if __name__ == "__main__":
    main()
