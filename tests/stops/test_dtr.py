"""pyserial itself over a pty, whose modem lines are played here: DTR, which resets boards, is left.

A pty has no modem lines: calls that ask for them are answered here, the rest is the kernel's.
Numbers of <asm-generic/termios.h>: TIOCM_DTR 2, TIOCM_RTS 4, TIOCM_CTS 0x20 (from memory; Python's
own are compared).
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import pty
import struct
import termios
from collections.abc import Generator
from pathlib import Path
from typing import Any

import pytest
import serial
from serial import serialposix

from bridge import loop
from bridge.checks import Check
from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.music.instrument import Instrument
from bridge.service import Service
from bridge.stops.attend import AttendedStops
from bridge.stops.button import Button, ModemLines, open_lines
from bridge.stops.challenge import Finding
from bridge.stops.condition import Condition
from tests.stops.rig import config

DTR, RTS, CTS = 0x002, 0x004, 0x020


class Lines:
    """The modem lines of one port: CTS follows RTS while `whole`."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.bits = 0
        self.whole = True
        self.touched: list[tuple[int, int]] = []

    def ioctl(self, descriptor: int, request: int, argument: Any = 0, *more: Any) -> Any:
        if request not in (termios.TIOCMBIS, termios.TIOCMBIC, termios.TIOCMSET, termios.TIOCMGET):
            return fcntl.ioctl(descriptor, request, argument, *more)
        if request == termios.TIOCMGET:
            cts = CTS if self.whole and self.bits & RTS else 0
            return struct.pack("I", self.bits | cts)
        bits = struct.unpack("I", argument)[0]
        self.touched.append((request, bits))
        if request == termios.TIOCMBIS:
            self.bits |= bits
        elif request == termios.TIOCMBIC:
            self.bits &= ~bits
        else:
            self.bits = bits
        return argument

    def dtr_touched(self) -> bool:
        return any(r == termios.TIOCMSET or bits & DTR for r, bits in self.touched)


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch) -> Generator[Lines]:
    assert (termios.TIOCM_DTR, termios.TIOCM_RTS, termios.TIOCM_CTS) == (DTR, RTS, CTS)
    master, slave = pty.openpty()
    made = Lines(os.ttyname(slave))

    class Fcntl:
        ioctl = staticmethod(made.ioctl)

        def __getattr__(self, name: str) -> Any:
            return getattr(fcntl, name)

    monkeypatch.setattr(serialposix, "fcntl", Fcntl())
    yield made
    os.close(master)
    os.close(slave)


def test_pyserial_alone_would_raise_it(lines: Lines) -> None:
    """So that the others are no empty tests."""
    serial.serial_for_url(lines.path).close()
    assert lines.dtr_touched()


def test_the_button_is_asked_over_pyserial_and_dtr_is_never_touched(lines: Lines) -> None:
    said: list[Finding] = []
    now = [0.0]

    def wait(seconds: float) -> bool:
        now[0] += seconds
        lines.whole = now[0] < 1.0
        return now[0] > 1.3

    Button(
        lambda: open_lines(lines.path), said.append, clock=lambda: HostS(now[0]), wait=wait
    ).run()
    assert [f.condition for f in said if f.condition is not Condition.ABSENT] == [
        Condition.CLOSED, Condition.PRESSED, Condition.PRESSED,
    ]  # fmt: skip
    assert len(lines.touched) > 50
    assert {bits for _, bits in lines.touched} == {RTS}
    assert not lines.dtr_touched()


def test_the_kernel_is_told_not_to_let_it_fall_when_the_port_closes(lines: Lines) -> None:
    opened = open_lines(lines.path)
    check = os.open(lines.path, os.O_RDWR | os.O_NOCTTY)
    try:
        assert not termios.tcgetattr(check)[2] & termios.HUPCL
        opened.close()
        assert not termios.tcgetattr(check)[2] & termios.HUPCL
    finally:
        os.close(check)
    assert not lines.dtr_touched()


def test_a_port_that_is_a_boards_by_another_name_is_never_opened(tmp_path: Path) -> None:
    board = tmp_path / "board"
    board.touch()
    (tmp_path / "desk").symlink_to(board)
    built = config(
        tmp_path, stop=[{"name": "Desk", "kind": "button_line", "port": str(tmp_path / "desk")}]
    )
    real = built.controller[0].model_copy(update={"port": str(board)})
    made = built.model_copy(update={"controller": [real]})
    opened: list[str] = []
    service = Service(made, Instrument(made), with_midi=False)

    def check() -> Check:
        return next(c for c in service.engine.checks(host_now()) if c.name == "stop Desk")

    def open_port(port: str) -> ModemLines:
        opened.append(port)
        raise AssertionError("opened")

    async def main() -> None:
        stops = AttendedStops(service, open_port)
        await stops.open()
        try:
            for _ in range(500):
                if "leads to controller North" in check().found:
                    break
                await asyncio.sleep(0.01)
        finally:
            await stops.close()

    loop.run(main())
    assert "leads to controller North" in check().found
    assert not check().passed
    assert opened == []
