"""Byte transports to a controller: what a session's shell needs of a line, and serial ports.

A transport writes at once or lets the system hold the bytes, says how many are still unsent,
can throw those away, and can hold the line low. It never decides anything.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import os
from collections.abc import Callable
from functools import partial
from typing import Any, Protocol, cast

import serial

try:
    from termios import error as _terminal_error
except ImportError:  # no termios outside POSIX, and so no such error
    _terminal_error = OSError

LINE_ERRORS: tuple[type[Exception], ...] = (
    OSError,
    AttributeError,
    TypeError,
    serial.SerialException,
    _terminal_error,
)
"""What a line that has just vanished may raise (a port closed meanwhile is None, and its file
descriptor too: AttributeError, TypeError)."""


class Transport(Protocol):
    """One open line. `on_data` and `on_lost` are set by whoever opened it."""

    on_data: Callable[[bytes], None]
    on_lost: Callable[[str], None]

    def write(self, data: bytes) -> None: ...

    def unsent_bytes(self) -> int: ...

    def discard_unsent(self) -> None: ...

    async def send_break(self, duration_s: float) -> bool:
        """Holds the line low; False where the line cannot."""
        ...

    def close(self) -> None: ...


class LinkError(Exception):
    """A port that cannot be opened; the text names the port and the remedy."""


class SerialTransport(asyncio.Protocol):
    """A serial device or pyserial URL, opened exclusively, over pyserial's asyncio transport."""

    def __init__(self) -> None:
        self.on_data: Callable[[bytes], None] = lambda data: None
        self.on_lost: Callable[[str], None] = lambda why: None
        self._transport: Any = None
        self._serial: Any = None
        self.opened = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = transport
        self._serial = cast(Any, transport).serial
        if hasattr(self._serial, "fd"):
            self._serial.write = partial(_write_what_fits, self._serial)
        self.opened.set_result(None)

    def data_received(self, data: bytes) -> None:
        self.on_data(data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        self.on_lost(str(exc) if exc else "the port was closed")

    def write(self, data: bytes) -> None:
        if self._transport is not None:
            self._transport.write(data)

    def unsent_bytes(self) -> int:
        if self._transport is None:
            return 0
        buffered: int = self._transport.get_write_buffer_size()
        with contextlib.suppress(*LINE_ERRORS):
            buffered += self._serial.out_waiting
        return buffered

    def discard_unsent(self) -> None:
        if self._transport is None:
            return
        self._transport.flush()
        with contextlib.suppress(*LINE_ERRORS):
            self._serial.reset_output_buffer()

    async def send_break(self, duration_s: float) -> bool:
        if self._transport is None or self._transport.is_closing():
            return False
        try:
            self._serial.break_condition = True
            try:
                await asyncio.sleep(duration_s)
            finally:
                self._serial.break_condition = False
        except LINE_ERRORS:
            return False
        return True

    def close(self) -> None:
        if self._transport is not None:
            self._transport.abort()


def _write_what_fits(port: Any, data: bytes) -> int:
    """`write` of a POSIX port. Raises BlockingIOError where nothing fits: asyncio then waits.

    pyserial's own tries again for ever, without a pause, and the whole loop with it.
    """
    if not port.is_open:
        raise serial.PortNotOpenError
    try:
        return os.write(port.fd, data)
    except BlockingIOError:
        raise
    except OSError as error:
        raise serial.SerialException(f"write failed: {error}") from error


async def open_serial(port: str, baud: int) -> SerialTransport:
    """Opens `port` (device path or pyserial URL) exclusively. Raises LinkError.

    Opening toggles DTR, which resets many boards: whoever talks first must be ready to wait.
    """
    # Imported here: it is absent where pyserial has no file descriptors to wait on.
    serial_asyncio = cast(Any, importlib.import_module("serial_asyncio_fast"))
    options: dict[str, object] = {"baudrate": baud}
    if "://" not in port:
        options["exclusive"] = True
    try:
        _, protocol = await serial_asyncio.create_serial_connection(
            asyncio.get_running_loop(), SerialTransport, port, **options
        )
        await protocol.opened  # what is written before goes nowhere
    except (*LINE_ERRORS, ValueError) as error:
        text = str(error)
        if "exclusively lock" in text or "busy" in text.lower():
            raise LinkError(f"{port}: in use by another program; close that one") from error
        number = getattr(error, "errno", None)
        reason = os.strerror(number) if isinstance(number, int) else text
        raise LinkError(f"{port}: cannot be opened: {reason}") from error
    return cast(SerialTransport, protocol)
