"""A keypad's device: a fifo for its events, and the calls of its driver answered here."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import Any

import pytest

from bridge.stops import keypad

# linux/input.h, from memory: _IOW('E', 0x90, int) and _IOC(_IOC_READ, 'E', 0x18, length).
_GRAB = 1 << 30 | 4 << 16 | ord("E") << 8 | 0x90
_KEYS = 2 << 30 | ord("E") << 8 | 0x18


class Device:
    """`grab_error`: what it says to being grabbed; `down`: which keys are."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self.path = folder / "event"
        os.mkfifo(self.path)
        self.writer = os.open(self.path, os.O_RDWR)
        self._inode = os.fstat(self.writer).st_ino
        self.grab_error = 0
        self.grabbed = 0
        self.down: set[int] = set()
        device = self

        class Fcntl:
            @staticmethod
            def ioctl(descriptor: int, request: int, argument: Any) -> Any:
                return device.ioctl(descriptor, request, argument)

        patch.setattr(keypad, "fcntl", Fcntl)

    def ioctl(self, descriptor: int, request: int, argument: Any) -> Any:
        if os.fstat(descriptor).st_ino != self._inode:
            return fcntl.ioctl(descriptor, request, argument)
        if request == _GRAB:
            if self.grab_error:
                raise OSError(self.grab_error, os.strerror(self.grab_error))
            self.grabbed += argument
            return 0
        assert request == _KEYS | len(argument) << 16
        bits = bytearray(len(argument))
        for code in self.down:
            bits[code // 8] |= 1 << code % 8
        return bytes(bits)

    def go_away(self) -> None:
        """Its last writer: the reader finds the end."""
        os.close(self.writer)
        self.writer = -1

    def close(self) -> None:
        if self.writer >= 0:
            self.go_away()
