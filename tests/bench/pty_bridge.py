"""A pty to a paced bench, for programs that want a serial device: what a pty cannot carry (a break,
the modem lines) is not carried. Bytes leave the pty no faster than the line takes them."""

import asyncio
import contextlib
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Self

from bridge.link.simulated_pty import PtyLine

BYTE_S = 10 / 500_000
START_TIMEOUT_S = 10.0


class PtyBridge:
    """``with PtyBridge(bench.pace(), link):`` makes `link` a serial device, the board behind it."""

    def __init__(self, url: str, link: Path) -> None:
        """`url`: what `Bench.pace` returned. `link`: a symbolic link, made and taken away."""
        self._port = int(url.rsplit(":", 1)[1])
        self._link = link
        self._ready = threading.Event()
        self._error: BaseException | None = None
        self._loop = asyncio.new_event_loop()
        self._stop = asyncio.Event()
        self._line_free_s = 0.0
        self._thread = threading.Thread(target=self._work, name="pty bridge")

    def __enter__(self) -> Self:
        self._thread.start()
        if not self._ready.wait(START_TIMEOUT_S) or self._error is not None:
            raise RuntimeError("the pty could not be made") from self._error
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with contextlib.suppress(RuntimeError):  # the bench went away first: its loop has ended
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()

    def _work(self) -> None:
        try:
            self._loop.run_until_complete(self._carry())
        except BaseException as error:  # told to whoever waits in __enter__
            self._error = error
            self._ready.set()
        finally:
            self._loop.close()

    async def _carry(self) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port)

        def to_board(data: bytes) -> None:
            writer.write(data)
            self._line_free_s = max(self._line_free_s, time.monotonic()) + len(data) * BYTE_S

        def unsent_bytes() -> int:
            return int(max(0.0, self._line_free_s - time.monotonic()) / BYTE_S)

        line = PtyLine(self._link, to_board, unsent_bytes, BYTE_S)
        line.open()
        self._ready.set()
        stopping = asyncio.create_task(self._stop.wait())
        from_board = asyncio.create_task(_pump(reader, line))
        try:
            await asyncio.wait([stopping, from_board], return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (stopping, from_board):
                task.cancel()
            await asyncio.gather(stopping, from_board, return_exceptions=True)
            line.close()
            writer.close()


async def _pump(reader: asyncio.StreamReader, line: PtyLine) -> None:
    while data := await reader.read(1000):
        line.send(data)
