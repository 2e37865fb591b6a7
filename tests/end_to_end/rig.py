"""Real processes: `coilwarden simulate` on a pty and `coilwarden serve` talking to it."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

BOARD_ID = "c0110001"
SITE = """
[site]
name = "Depot yard"
state_directory = "{state}"

[panel]
{panel}

[[controller]]
name = "Rack"
port = "{port}"
board_id = "{board_id}"
link_jitter_ms = 20

[[coil]]
name = "Larkspur"
controller = "Rack"
output = 1
min_on_time_us = 40
max_on_time_us = 150
min_off_time_us = 300
max_break_rate_hz = 900
duty_windows = [{{ window_ms = 1000, max_percent = 6 }}]

[[coil]]
name = "Foxglove"
controller = "Rack"
output = 2
min_on_time_us = 40
max_on_time_us = 150
min_off_time_us = 300
max_break_rate_hz = 900
duty_windows = [{{ window_ms = 1000, max_percent = 6 }}]

[[input]]
name = "DAW"
virtual_port = "Coilwarden"
stop_controller = 90
max_note_s = {max_note_s}

[music]
percussion_channel = 10
routes = [{{ channels = [1], coils = ["Larkspur"] }}, {{ coils = ["Foxglove"] }}]
"""


class Program:
    """One `coilwarden` process with its lines."""

    def __init__(self, *arguments: str, environment: dict[str, str] | None = None) -> None:
        self.lines: list[str] = []
        self.errors: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "bridge", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1", **(environment or {})},
        )
        self._threads = [
            threading.Thread(target=self._read, args=(stream, kept), daemon=True)
            for stream, kept in (
                (self.process.stdout, self.lines),
                (self.process.stderr, self.errors),
            )
        ]
        for thread in self._threads:
            thread.start()

    @staticmethod
    def _read(stream: Any, kept: list[str]) -> None:
        for line in stream:
            kept.append(line.rstrip("\n"))

    def say(self, word: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(word + "\n")
        self.process.stdin.flush()

    def wait_for(self, part: str, timeout_s: float = 20.0, *, after: int = 0) -> str:
        """The first line from number `after` on with `part` in it. Fails with what was said."""
        return wait_until(
            lambda: next((x for x in self.lines[after:] if part in x), None),
            lambda: f"{part!r} in:\n" + "\n".join(self.lines[-40:] + self.errors[-40:]),
            timeout_s,
        )

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.kill()
        self.process.wait()
        for thread in self._threads:
            thread.join(5)
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            if stream is not None:
                with contextlib.suppress(BrokenPipeError):
                    stream.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.end()


def wait_until(
    probe: Callable[[], Any], what: str | Callable[[], str], timeout_s: float = 20.0
) -> Any:
    """The first thing `probe` finds that is not None and not False."""
    deadline_s = time.monotonic() + timeout_s
    while time.monotonic() < deadline_s:
        found = probe()
        if found is not None and found is not False:
            return found
        time.sleep(0.01)
    text = what if isinstance(what, str) else what()  # as it is now, not as it was at the start
    raise AssertionError(f"waited {timeout_s:g} s for {text}")


class Rig:
    """Board, site file and daemon in one folder."""

    def __init__(
        self,
        folder: Path,
        *,
        max_note_s: float = 30.0,
        horn_ms: int = 0,
        panel: str = "enabled = false",
    ) -> None:
        self.port = folder / "board"
        self.config = folder / "site.toml"
        self.pulses_file = folder / "pulses.csv"
        self.state = folder / "state"
        self.memory = folder / "memory.json"
        self._horn_ms = horn_ms
        self.config.write_text(
            SITE.format(
                state=self.state,
                port=self.port,
                board_id=BOARD_ID,
                max_note_s=max_note_s,
                panel=panel,
            ),
            encoding="utf-8",
        )

    def board(self, *more: str) -> Program:
        program = Program(
            "simulate", "--plain", "--link", str(self.port), "--board-id", BOARD_ID,
            "--horn-ms", str(self._horn_ms), "--pulses", str(self.pulses_file),
            "--memory", str(self.memory), *more,
        )  # fmt: skip
        program.wait_for("board c0110001 on")
        return program

    def daemon(self) -> Program:
        return Program("serve", str(self.config), "--plain")

    def pulses(self) -> list[tuple[int, float, float]]:
        """(output, start in s of the monotonic clock, on-time in µs) of whole lines so far."""
        if not self.pulses_file.exists():
            return []
        text = self.pulses_file.read_text(encoding="utf-8")
        rows = text[: text.rfind("\n") + 1].splitlines()
        return [
            (int(o), float(s) / 1e6, float(on)) for o, s, on in (row.split(",") for row in rows)
        ]

    def last_pulse_end_s(self) -> float:
        return max((s + on / 1e6 for _, s, on in self.pulses()), default=0.0)

    def arm(self, board: Program, daemon: Program, *, prove: bool = True) -> None:
        """The whole way from power-up to armed, as an operator goes it. Once proven, pressing
        the button again would be a trip."""
        if prove:
            board.say("prove")
        wait_until(
            lambda: self._ready(daemon),
            lambda: "no open condition: " + "\n".join(daemon.lines[-3:] + board.lines[-5:]),
        )
        before = len(daemon.lines)
        ask(daemon, "arm", yes="ARM?", no="not yet")
        time.sleep(0.5)  # as long as it takes to read the question
        daemon.say("confirm")
        daemon.wait_for("arming → armed", after=before)

    @staticmethod
    def _ready(daemon: Program) -> bool:
        time.sleep(0.1)
        return status(daemon)["open_conditions"] == []


def ask(daemon: Program, word: str, *, yes: str, no: str) -> str:
    """Says a word until the answer is `yes`, as an operator does who reads why not yet."""
    for _ in range(20):
        before = len(daemon.lines)
        daemon.say(word)
        answer = wait_until(
            lambda: next((x for x in daemon.lines[before:] if yes in x or no in x), None),  # noqa: B023
            lambda: f"an answer to {word} in:\n" + "\n".join(daemon.lines[-20:]),
        )
        if yes in answer:
            return answer
        time.sleep(0.1)
    raise AssertionError(f"{word} was refused 20 times, the last time with: {answer}")


def reset(daemon: Program) -> None:
    """The operator's reset, which is possible as soon as every controller answers."""
    ask(daemon, "reset", yes="tripped → locked", no="not reset")


def status(daemon: Program) -> dict[str, Any]:
    """What the daemon says of itself."""
    before = len(daemon.lines)
    daemon.say("status")
    line = daemon.wait_for('{"site"', after=before)
    return json.loads(line[line.index("{") :])
