"""The daemon's wire under notes and under a flood, beside a bare loop: for bench_latency.py."""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import pty
import random
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

from bridge.clocks import HostS
from bridge.config import Config, Input
from bridge.engine import Act
from bridge.interlock import State
from bridge.link.outbox import Outgoing
from bridge.link.renewal import VOICES_FRAME_BYTES
from bridge.midi_ports import MidiInputs, PortState
from bridge.service import Service
from bridge.watcher import Watcher
from tests.daw import Daw
from tests.end_to_end.rig import Program

BAUD = 500_000
SITE_PORT, BARE_PORT = "Latency site", "Latency bare"


def collected(what: str, values: list[float]) -> list[float]:
    """The samples of a phase; one without any measured nothing, and is no benchmark."""
    if not values:
        raise SystemExit(f"{what}: no samples were collected, so there is nothing to tell")
    return values


def percentiles(values: list[float]) -> str:
    ordered = sorted(values)

    def at(share: float) -> float:
        return ordered[min(len(ordered) - 1, math.floor(share * len(ordered)))] * 1e6

    return f"p50 {at(0.5):7.0f} µs   p99 {at(0.99):7.0f} µs   p99.9 {at(0.999):7.0f} µs"


def median(values: list[float]) -> float:
    return sorted(values)[len(values) // 2]


def site(folder: Path) -> Config:
    coils = [
        {
            "name": name,
            "controller": "Rack",
            "output": output,
            "min_on_time_us": 40,
            "max_on_time_us": 150,
            "min_off_time_us": 200,
            "max_break_rate_hz": 2000,
            "duty_windows": [{"window_ms": 1000, "max_percent": 8}],
        }
        for output, name in ((1, "Larkspur"), (2, "Foxglove"))
    ]
    return Config.model_validate(
        {
            "site": {"name": "Bench", "state_directory": str(folder)},
            "panel": {"port": 8431},
            "controller": [{"name": "Rack", "port": str(folder / "board"), "board_id": "c0110001"}],
            "coil": coils,
            "input": [{"name": "site", "virtual_port": SITE_PORT}],
            "music": {
                "routes": [
                    {"channels": list(range(1, 9)), "coils": ["Larkspur"]},
                    {"coils": ["Foxglove"]},
                ]
            },
        }
    )


@contextlib.contextmanager
def drained_pty() -> Iterator[int]:
    """The writing end of a pty that a thread empties."""
    master, slave = pty.openpty()
    tty.setraw(slave)

    def drain() -> None:
        with contextlib.suppress(OSError):
            while os.read(master, 4096):
                pass

    thread = threading.Thread(target=drain, daemon=True)
    thread.start()
    try:
        yield slave
    finally:
        os.close(slave)
        thread.join(2)
        os.close(master)


async def arm(service: Service, board: Program) -> None:
    board.say("prove")
    until = time.monotonic() + 15
    while any(not c.passed for c in service.engine.checks(time.monotonic())):
        if time.monotonic() > until:
            raise SystemExit(str(service.engine.checks(time.monotonic())))
        await asyncio.sleep(0.05)
    service.act(Act.ARM)
    while service.engine.interlock.state is State.ARMING:  # noqa: ASYNC110  (the engine is pure)
        await asyncio.sleep(0.01)
    assert service.engine.interlock.state is State.ARMED, service.engine.interlock.current_trip


class Writes(Watcher):
    """Calls back with the time after each write."""

    def __init__(self, on_write: Callable[[float], None]) -> None:
        self._on_write = on_write

    def wrote(self, at_s: HostS, controller: str, out: Outgoing) -> None:
        if out.data:
            self._on_write(at_s)


async def idle(service: Service, messages: int) -> tuple[list[float], list[float]]:
    through: list[float] = []
    bare: list[float] = []
    wrote_at: list[float] = []
    writes = Writes(wrote_at.append)
    service.watchers.add(writes)
    payload = bytes(range(1, VOICES_FRAME_BYTES + 1))
    done = asyncio.Event()

    def changed(at_s: float, name: str, state: PortState) -> None:
        if state is PortState.LOST:
            done.set()

    with drained_pty() as line:

        def on_message(arrived_s: float, name: str, message: bytes) -> None:
            if name == "bare":
                os.write(line, payload)
                bare.append(time.monotonic() - arrived_s)
                return
            wrote_at.clear()
            service.midi_in(arrived_s, name, message)
            if wrote_at:
                through.append(wrote_at[-1] - arrived_s)

        inputs = [
            Input(name="site", virtual_port=SITE_PORT),
            Input(name="bare", virtual_port=BARE_PORT),
        ]
        async with MidiInputs(inputs, on_message, changed):

            def score(offset_s: float) -> list[str]:
                notes: list[str] = []
                for number in range(messages):
                    note = 48 + number // 2 % 24
                    status = "90" if number % 2 == 0 else "80"
                    # A period of its own, so that it does not keep step with refresh or status.
                    at_s = number * 0.0431 + offset_s
                    notes += ["--message", f"{at_s:.4f}:{status},{note:x},64"]
                return notes

            # Half a period apart: neither waits for the other's work.
            daws = [
                Daw("--to", port, "--client", f"DAW {port}", *score(offset_s))
                for port, offset_s in ((SITE_PORT, 0.0), (BARE_PORT, 0.0215))
            ]
            try:
                await asyncio.sleep(messages * 0.0431 + 3.0)
            finally:
                for daw in daws:
                    daw.kill()
    service.watchers.remove(writes)
    return through, bare


async def flood(service: Service, seconds: float) -> tuple[list[float], int]:
    """Latencies to the last byte drained, and messages sent."""
    engine = service.engine
    session = engine.sessions["Rack"]
    line_of = {line.output: line for line in engine.lines.values()}
    waiting: dict[int, list[float]] = {output: [] for output in line_of}
    found: list[float] = []
    frames_before = dict.fromkeys(line_of, 0)

    def take() -> None:
        # After a write: every change decided so far on a coil that got a frame is on its way.
        now_s = time.monotonic()
        drained_s = now_s + session.outbox.unsent_bytes(now_s, 0) * 10 / BAUD
        for output, line in line_of.items():
            if line.frames != frames_before[output]:
                frames_before[output] = line.frames
                found.extend(drained_s - at for at in waiting[output])
                waiting[output].clear()

    writes = Writes(lambda at_s: take())
    service.watchers.add(writes)
    loop = asyncio.get_running_loop()
    sent = 0
    stop = threading.Event()

    def arrive(arrived_s: float, message: bytes) -> None:
        # Channels 1 to 8 play the first coil, the others the second.
        waiting[0 if message[0] & 0x0F < 8 else 1].append(arrived_s)
        service.midi_in(arrived_s, "site", message)

    def play() -> None:
        nonlocal sent
        rnd = random.Random(4)
        begun_s = time.monotonic()
        while not stop.is_set():
            due = int((time.monotonic() - begun_s) * 3000)
            while sent < due:
                channel = rnd.randrange(16)
                kind = rnd.random()
                if kind < 0.2:
                    status = rnd.choice((0x90, 0x80))
                    message = bytes((status | channel, rnd.randrange(36, 72), 90))
                else:
                    message = bytes((0xE0 | channel, rnd.randrange(128), rnd.randrange(128)))
                loop.call_soon_threadsafe(arrive, time.monotonic(), message)
                sent += 1
            time.sleep(0.0005)

    thread = threading.Thread(target=play, daemon=True)
    thread.start()
    await asyncio.sleep(seconds)
    stop.set()
    thread.join()
    await asyncio.sleep(0.1)
    service.watchers.remove(writes)
    return found, sent
