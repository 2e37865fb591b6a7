"""A private JACK server without sound hardware, for tests of real MIDI ports.

    from tests.jack import jack_server  # noqa: F401

    @pytest.mark.real
    def test_something(jack_server: JackServer) -> None: ...

Every test gets a fresh server, and every test process a name of its own; the environment variables
are set for the test, and so for the processes it starts. A machine without `jackd` fails the test:
it does not skip it.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

DUMMY_DRIVER = ("-d", "dummy", "-r", "48000", "-p")
NAMES = 6
"""Of a machine's eight places for servers, those that tests ever take."""


@cache
def server_name() -> str:
    """This process's own until it ends. A server that is killed keeps its place until one of the
    same name starts: names that come back leave no places behind."""
    with starting():
        free = {number: lock for number in range(NAMES) if (lock := _try(number)) is not None}
        if not free:
            raise RuntimeError(f"{NAMES} processes run JACK servers of these tests already")
        if len(free) == NAMES:
            forget_dead_servers()
        number, _ = free.popitem()  # its lock stays until this process ends
        for lock in free.values():
            os.close(lock)
    return f"cw-test-{number}"


def _lock(name: str) -> Path:
    return Path(tempfile.gettempdir()) / f"coilwarden-jack-{os.getuid()}-{name}.lock"


def _try(number: int) -> int | None:
    """The lock of a name, as a descriptor; None: another process has it."""
    lock = os.open(_lock(str(number)), os.O_WRONLY | os.O_CREAT, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(lock)
        return None
    return lock


def forget_dead_servers() -> None:
    """Servers of other names may have been killed too: what they left, where none runs any more.

    Only where no other process of these tests has a name yet: libjack in it would go on with what
    is gone.
    """
    for process in Path("/proc").glob("[0-9]*"):
        try:
            # "1234 (jackd) S ...", proc_pid_stat(5); a dead one whose parent did not look is a Z
            found = re.search(r"\((.*)\) (\w)", (process / "stat").read_text())
        except OSError:  # ended meanwhile
            continue
        if found is not None and found[1] == "jackd" and found[2] != "Z":
            return
    for left in Path("/dev/shm").glob("jack*"):
        if left.is_dir():
            shutil.rmtree(left, ignore_errors=True)
        else:
            left.unlink(missing_ok=True)


@contextlib.contextmanager
def starting() -> Iterator[None]:
    """One server starts at a time on this machine, whichever process's it is."""
    with _lock("start").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


class JackServer:
    """`jackd` on its dummy driver, 48 kHz.

    Not real-time: on a machine that is short of processors JACK itself may then skip a client's
    cycle, and lose what was in it. Tests use long cycles of 1024 frames (21 ms) for that, or what
    they ask for: `@pytest.mark.parametrize("jack_server", [2048], indirect=True)`.
    """

    def __init__(self, name: str, frames: int = 256, *, realtime: bool = False) -> None:
        """`realtime`: for measurements, on machines that allow it."""
        self.name = name
        self._frames = frames
        self._scheduling = "--realtime" if realtime else "--no-realtime"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, timeout_s: float = 10.0) -> None:
        """Returns when clients can connect. Fails the test if that does not happen."""
        if shutil.which("jackd") is None:
            pytest.fail("jackd is not installed; on Debian: apt-get install jackd2")
        with starting():
            self._start(timeout_s)

    def _start(self, timeout_s: float) -> None:
        deadline_s = time.monotonic() + timeout_s
        while time.monotonic() < deadline_s:
            if self._process is None or self._process.poll() is not None:
                # Also again if it gave up because a server of this name was not quite gone.
                self._process = subprocess.Popen(
                    ["jackd", self._scheduling, "-n", self.name, *DUMMY_DRIVER, str(self._frames)],
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )
            time.sleep(0.05)
            probe = subprocess.run(
                ["jack_lsp", "-s", self.name], capture_output=True, timeout=10, check=False
            )
            if probe.returncode == 0:
                return
        pytest.fail(
            f"jackd did not start within {timeout_s:g} s. A machine has places for eight servers: "
            "do others run, or were others killed (/dev/shm/jack*)?"
        )

    def stop(self) -> None:
        """Ends it in order, so that it gives back its place among the machine's servers."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.terminate()
            try:
                self._process.wait(1.5)  # of one that hangs on a client just gone
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None

    def kill(self) -> None:
        """Ends it without a word to its clients, frozen or not."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


@pytest.fixture
def jack_server(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Iterator[JackServer]:
    server = JackServer(server_name(), getattr(request, "param", 1024))
    monkeypatch.setenv("JACK_DEFAULT_SERVER", server.name)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("JACK_NO_AUDIO_RESERVATION", "1")
    monkeypatch.setenv("COILWARDEN_MIDI_API", "jack")
    server.start()
    try:
        yield server
    finally:
        server.stop()
