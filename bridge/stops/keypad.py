"""A USB keypad of its own, every key of which stops: the kernel's input events, read directly.

struct input_event (linux/input.h): two longs of time, u16 type, u16 code, s32 value; from memory.
EV_KEY (1): value 1 pressed, 2 held on, 0 released. EV_SYN (0) with SYN_DROPPED (3): events were
lost. EVIOCGRAB = _IOW('E', 0x90, int): nobody else gets its keys, so that none types anywhere.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct

from bridge.stops.challenge import Finding
from bridge.stops.condition import Condition

EVENT = struct.Struct("@llHHi")
_EV_SYN, _EV_KEY, _SYN_DROPPED = 0, 1, 3
_EVIOCGRAB = 0x40044590
_MOST_BYTES = EVENT.size * 64


class KeypadKeys:
    """Events → what follows. Pure. A whole press within one read is still a press."""

    def __init__(self, dead_man_key: int | None = None) -> None:
        self._dead_man_key = dead_man_key
        self._down: set[int] = set()
        self._rest = b""

    def take(self, data: bytes) -> list[Finding | bool]:
        """What bytes of the device mean, in order: a finding, or whether the dead man's key is
        held."""
        data = self._rest + data
        whole = len(data) - len(data) % EVENT.size
        self._rest = data[whole:]
        said: list[Finding | bool] = []
        for _, _, kind, code, value in EVENT.iter_unpack(data[:whole]):
            if (kind, code) == (_EV_SYN, _SYN_DROPPED):
                # Whatever was lost may have been a press, or the release of a held key.
                said += [False, Finding(Condition.PRESSED, "key events were lost")]
                said += [] if self._down else [Finding(Condition.CLOSED, "no key is pressed")]
            elif kind != _EV_KEY:
                continue
            elif code == self._dead_man_key:
                said.append(value != 0)
            elif value:
                if code not in self._down:
                    self._down.add(code)
                    said.append(Finding(Condition.PRESSED, f"key {code}"))
            else:
                self._down.discard(code)
                if not self._down:
                    said.append(Finding(Condition.CLOSED, "no key is pressed"))
        return said


class Keypad:
    """The device, without ever waiting for it."""

    def __init__(self, path: str, dead_man_key: int | None = None) -> None:
        self.path = path
        self.descriptor = -1
        self._dead_man_key = dead_man_key
        self._keys = KeypadKeys(dead_man_key)

    def open(self) -> Finding:
        """Opens it, for nobody else; says how that went."""
        try:
            self.descriptor = os.open(self.path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            return Finding(Condition.ABSENT, f"{self.path}: {error.strerror}")
        with contextlib.suppress(OSError):  # taken by another program or no input device: read it
            fcntl.ioctl(self.descriptor, _EVIOCGRAB, 1)
        self._keys = KeypadKeys(self._dead_man_key)
        return Finding(Condition.CLOSED, "no key is pressed")

    def read(self) -> list[Finding | bool]:
        """What it has to say now; once it is gone, that, and it is closed."""
        try:
            data = os.read(self.descriptor, _MOST_BYTES)
        except BlockingIOError:
            return []
        except OSError as error:
            return [False, Finding(Condition.ABSENT, f"{self.path}: {error.strerror}")]
        if not data:
            return [False, Finding(Condition.ABSENT, f"{self.path}: it was taken away")]
        return self._keys.take(data)

    def close(self) -> None:
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1
