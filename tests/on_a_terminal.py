"""`coilwarden` on a terminal of its own (a pty), for tests."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import subprocess
import sys
import termios
import time
from collections.abc import Generator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
BENCH = ROOT / "configs" / "bench.toml"


@contextlib.contextmanager
def a_pty() -> Generator[tuple[int, int]]:
    master, slave = pty.openpty()
    try:
        yield master, slave
    finally:
        os.close(master)
        os.close(slave)


def is_single(descriptor: int) -> bool:
    """What single keys need, read back from the terminal."""
    iflag, _, _, lflag, _, _, keys = termios.tcgetattr(descriptor)
    off = os.fpathconf(descriptor, "PC_VDISABLE").to_bytes(1, "big")
    return (
        not iflag & (termios.IXON | termios.IXOFF)  # Ctrl-S freezes nothing
        and not lflag & (termios.ICANON | termios.ECHO)
        and keys[termios.VSUSP] == off  # Ctrl-Z suspends nothing
        and keys[termios.VQUIT] == off  # Ctrl-\ kills nothing
        and bool(lflag & termios.ISIG)  # Ctrl-C is a signal still
        and keys[termios.VINTR] != off
    )


# Makes standard input the process's controlling terminal: its keys become signals.
TAKE_TERMINAL = (
    "import fcntl, runpy, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "runpy.run_module('bridge', run_name='__main__', alter_sys=True)"
)


class OnATerminal:
    """`coilwarden` with a terminal (a pty) of its own."""

    def __init__(self, *arguments: str, state_home: Path, **environment: str) -> None:
        self.master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (24, 80))
        self.process = subprocess.Popen(
            [sys.executable, "-c", TAKE_TERMINAL, *arguments],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            cwd=ROOT,
            env={**os.environ, "XDG_STATE_HOME": str(state_home), "TERM": "xterm", **environment},
            start_new_session=True,
        )
        os.close(slave)
        self.shown = bytearray()

    def read(self, wait_s: float = 0.1) -> bool:
        """Reads what is shown; False once the terminal is closed."""
        if select.select([self.master], [], [], wait_s)[0]:
            try:
                data = os.read(self.master, 65536)
            except OSError:
                return False
            self.shown.extend(data)
        return True

    def look_for(self, part: str, timeout_s: float = 20.0) -> None:
        """Reads until `part` was shown since the last key. Rows are told apart by what moves the
        cursor, so `part` must fit in one."""
        deadline_s = time.monotonic() + timeout_s
        while part.encode() not in self.shown:
            assert time.monotonic() < deadline_s, f"{part!r} not in {self.text()[-3000:]}"
            if not self.read():
                break
        assert part.encode() in self.shown, f"{part!r} not in {self.text()[-3000:]}"

    def text(self) -> str:
        return self.shown.decode(errors="replace")

    def press(self, keys: bytes) -> None:
        self.shown.clear()
        os.write(self.master, keys)

    def end(self, timeout_s: float = 10.0, *, reading: bool = True) -> int:
        """Waits for the program to end by itself; its exit code."""
        deadline_s = time.monotonic() + timeout_s
        while self.process.poll() is None:
            assert time.monotonic() < deadline_s, f"still running: {self.text()[-3000:]}"
            if not (reading and self.read()):
                time.sleep(0.02)
        while reading and self.read(0.0) and select.select([self.master], [], [], 0)[0]:
            pass
        return self.process.returncode

    def __enter__(self) -> OnATerminal:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self.master)
