"""A USB keypad of its own, every key of which stops: the kernel's input events, read directly.

struct input_event (linux/input.h): two longs of time, u16 type, u16 code, s32 value; from memory.
EV_KEY (1): value 1 pressed, 2 held on, 0 released. EV_SYN (0) with SYN_DROPPED (3): events were
lost. EVIOCGRAB = _IOW('E', 0x90, int): nobody else gets its keys, so that none types anywhere; one
that another program has grabbed says nothing to us. EVIOCGKEY(n) = _IOC(_IOC_READ, 'E', 0x18, n):
which keys are down now, a bit each.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
from collections.abc import Iterable

from bridge.stops.challenge import Finding
from bridge.stops.condition import Condition

EVENT = struct.Struct("@llHHi")
_EV_SYN, _EV_KEY, _SYN_DROPPED = 0, 1, 3
_REPEATED = 2
_EVIOCGRAB = 0x40044590
_KEY_BYTES = 96
"""KEY_CNT is 0x300 bits."""
_EVIOCGKEY = 0x80004518 | _KEY_BYTES << 16
_MOST_BYTES = EVENT.size * 64


class KeypadKeys:
    """Events → what follows. Pure. A whole press within one read is still a press."""

    def __init__(self, dead_man_key: int | None = None, down: Iterable[int] = ()) -> None:
        """`down`: keys that are down already. Of them the dead man's holds nothing: that takes a
        fresh press."""
        self._dead_man_key = dead_man_key
        self._down = set(down) - {dead_man_key}
        self._rest = b""
        self.lost = False
        """Events were lost: which keys are down must be asked."""

    @property
    def finding(self) -> Finding:
        """As the keys are now."""
        if self._down:
            return Finding(Condition.PRESSED, f"key {min(self._down)}")
        return Finding(Condition.CLOSED, "no key is pressed")

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
                self.lost = True
            elif kind != _EV_KEY:
                continue
            elif code == self._dead_man_key:
                if value != _REPEATED:  # no fresh press
                    said.append(value == 1)
            elif value:
                if code not in self._down:
                    self._down.add(code)
                    said.append(Finding(Condition.PRESSED, f"key {code}"))
            else:
                self._down.discard(code)
                if not self._down:
                    said.append(self.finding)
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
            return self._absent(str(error.strerror))
        try:
            fcntl.ioctl(self.descriptor, _EVIOCGRAB, 1)
            return self._look()
        except OSError as error:
            self.close()
            why = {errno.EBUSY: "another program has it", errno.ENOTTY: "it is no input device"}
            return self._absent(why.get(error.errno or 0, str(error.strerror)))

    def _look(self) -> Finding:
        """Asks which keys are down. Raises OSError."""
        bits = fcntl.ioctl(self.descriptor, _EVIOCGKEY, bytes(_KEY_BYTES))
        down = [code for code in range(_KEY_BYTES * 8) if bits[code // 8] >> code % 8 & 1]
        self._keys = KeypadKeys(self._dead_man_key, down)
        return self._keys.finding

    def _absent(self, why: str) -> Finding:
        return Finding(Condition.ABSENT, f"{self.path}: {why}")

    def read(self) -> list[Finding | bool]:
        """What it has to say now; once it is gone, that, and it is closed."""
        try:
            data = os.read(self.descriptor, _MOST_BYTES)
            if not data:
                return [False, self._absent("it was taken away")]
            said = self._keys.take(data)
            return [*said, self._look()] if self._keys.lost else said
        except BlockingIOError:
            return []
        except OSError as error:
            return [False, self._absent(str(error.strerror))]

    def close(self) -> None:
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1
