"""The serial transport on a pty: a full line, a closing one, and what the library tells."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import signal
import time
from collections.abc import AsyncIterator, Iterator
from typing import Any

import pytest

from bridge import loop
from bridge.link.transport import LinkError, SerialTransport, open_serial
from bridge.service import open_port
from tests.chain.rig import coil, site


def test_the_serial_library_names_our_line_when_a_write_fails() -> None:
    """pyserial-asyncio-fast itself, on a pty whose far end is gone."""

    async def main() -> None:
        master, slave = pty.openpty()
        name = os.ttyname(slave)
        transport = await open_serial(name, 500_000)
        told: list[dict[str, Any]] = []
        asyncio.get_running_loop().set_exception_handler(lambda running, what: told.append(what))
        await asyncio.sleep(0)
        os.close(slave)
        os.close(master)
        transport.write(b"\x00")
        assert [what["protocol"] for what in told] == [transport]
        transport.close()
        await asyncio.sleep(0.05)

    loop.run(main())


@pytest.fixture
def at_most_ten_seconds() -> Iterator[None]:
    """Ends a test whose event loop is stuck in a call."""

    def over(number: int, frame: object) -> None:
        raise AssertionError("the event loop is stuck")

    before = signal.signal(signal.SIGALRM, over)
    signal.alarm(10)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@contextlib.asynccontextmanager
async def serial_on_a_pty() -> AsyncIterator[tuple[SerialTransport, int]]:
    """Our end of a pty as a serial port, and the far end's descriptor."""
    master, slave = pty.openpty()
    transport = await open_serial(os.ttyname(slave), 500_000)
    try:
        yield transport, master
    finally:
        transport.close()
        await asyncio.sleep(0.05)
        os.close(slave)
        os.close(master)


@pytest.mark.usefixtures("at_most_ten_seconds")
def test_a_full_line_holds_bytes_and_not_the_loop() -> None:
    async def main() -> None:
        async with serial_on_a_pty() as (transport, master):
            for _ in range(200):
                transport.write(bytes(1000))
            held = transport.unsent_bytes()
            assert held > 0
            # An adapter keeps what it has: the line stays full though we hold nothing any more.
            transport._serial.reset_output_buffer = lambda: None
            transport.discard_unsent()
            assert transport.unsent_bytes() < held
            with contextlib.suppress(BlockingIOError):
                while True:
                    os.write(transport._serial.fd, bytes(1000))
                    await asyncio.sleep(0.001)
            transport.write(b"stop")  # waits its turn, and comes
            got = b""
            os.set_blocking(master, False)
            while not got.endswith(b"stop"):
                await asyncio.sleep(0.005)
                with contextlib.suppress(BlockingIOError):
                    got += os.read(master, 65536)

    loop.run(main())


def test_what_is_written_right_after_opening_arrives() -> None:
    async def main() -> None:
        async with serial_on_a_pty() as (transport, master):
            transport.write(b"hello")
            assert os.read(master, 100) == b"hello"

    loop.run(main())


def test_a_line_that_is_closing_is_asked_without_an_error() -> None:
    async def main() -> None:
        async with serial_on_a_pty() as (transport, _):
            lost: list[str] = []
            port, told = transport._serial, asyncio.Event()
            transport.on_lost = lambda why: (lost.append(why), told.set())
            running, closed, close = asyncio.get_running_loop(), asyncio.Event(), port.close

            def slowly() -> None:  # the library closes in a thread, and tells when that is done
                close()
                running.call_soon_threadsafe(closed.set)
                time.sleep(0.1)

            port.close = slowly
            transport.close()
            await closed.wait()
            assert not lost
            assert transport.unsent_bytes() == 0
            transport.discard_unsent()
            transport.write(b"x")
            assert await transport.send_break(0.001) is False
            await told.wait()

    loop.run(main())


def test_a_simulated_port_is_no_serial_port() -> None:
    config = site([coil("Larkspur", "North", 1)])

    async def main() -> None:
        with pytest.raises(LinkError, match="simulated"):
            await open_port(config.controller[0])

    loop.run(main())
