"""Latency of the daemon, beside a bare callback → write loop in the same run. Not a timed test.

    python tests/bench_latency.py [--quick] [--mqtt] [--no-journal] [--panel N]

Idle wire: a second process plays single notes over JACK into two virtual ports, in turn. One leads
to the real Service (instrument, governor, interlock, session, serial transport on a pty, the board
simulated in a process of its own); the other to a bare loop that writes as many bytes to another
pty. Both are taken from the arrival stamp of the MIDI reader to the return of the write.

Flood: 3,000 messages a second on 16 channels, from a thread, for the Service alone: from arrival to
the last byte *drained* (by the line's baud rate) of the first frame that carries the change.

With --mqtt instead: the idle wire three times, without MQTT, with it at a mosquitto of its own,
and while that broker takes 10,000 messages a second on the neighbours of the stop topic.

Prints percentiles, ratios and the machine's conditions. The aims are the project's own;
nothing is asserted.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import math
import os
import pty
import random
import sys
import tempfile
import threading
import time
import tty
from collections.abc import AsyncGenerator, Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bridge import loop
from bridge.clocks import HostS
from bridge.config import Config, Input
from bridge.engine import Act
from bridge.host_clock import host_now
from bridge.interlock import State
from bridge.journal.journal import Journal
from bridge.link.outbox import Outgoing
from bridge.link.renewal import VOICES_FRAME_BYTES
from bridge.midi_ports import MidiInputs, PortState
from bridge.music.instrument import Instrument
from bridge.panel.desk import Desk
from bridge.panel.host import PanelHost
from bridge.service import Service
from bridge.stage import Stage
from bridge.view import site_view
from bridge.watcher import Watcher
from tests.daw import Daw
from tests.end_to_end.rig import Program
from tests.jack import JackServer, server_name

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


async def measure_mqtt(quick: bool) -> None:
    """The same idle wire without MQTT, with it, and with a broker under a flood."""
    from bridge.telemetry.attend import connect  # noqa: PLC0415
    from bridge.telemetry.config_mqtt import Mqtt  # noqa: PLC0415
    from tests.telemetry.broker import Broker, Flood  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = site(folder)
        with (
            Program(
                "simulate", "--plain", "--link", str(folder / "board"), "--horn-ms", "0"
            ) as board,
            Broker(folder) as broker,
        ):
            board.wait_for("board c0110001 on")
            service = Service(config, Instrument(config), with_midi=False)
            running = asyncio.create_task(service.run())
            mqtt = Mqtt(host="127.0.0.1", port=broker.port, bridge="bench", site="bench")
            link, floods = None, None
            medians: list[float] = []
            try:
                await arm(service, board)
                for what in ("without MQTT", "MQTT, idle broker", "MQTT, broker under flood"):
                    if what == "MQTT, idle broker":
                        link = connect(service, mqtt, print)
                        await asyncio.sleep(1.0)
                    if what == "MQTT, broker under flood":
                        own = "coilwarden/bench/bridge/bench"
                        near = [f"{own}/stops", f"{own}/stop/x", "coilwarden/bench/stopp"]
                        floods = Flood(broker.port, near, 1e4)
                    through, _ = await idle(service, 300 if quick else 1200)
                    collected(what, through)
                    medians.append(median(through))
                    print(f"{what}, {len(through)} messages over JACK:")
                    print(f"  arrival → last byte written  {percentiles(through)}")
                    print(f"  ratio of medians             {medians[-1] / medians[0]:.2f}")
                    if floods is not None:
                        print(f"  flood: {floods.per_second():.0f} messages a second")
                    print(f"  state afterwards             {service.engine.interlock.state.value}")
            finally:
                if floods is not None:
                    floods.end()
                if link is not None:
                    await asyncio.to_thread(link.close)
                service.leave()
                await running


PAGES = """
import asyncio, json, sys, websockets
async def page():
    live = f"ws://127.0.0.1:{sys.argv[1]}/live"
    async with websockets.connect(live, origin=f"http://127.0.0.1:{sys.argv[1]}") as socket:
        async def ask():
            for number in range(10**6):
                await socket.send(json.dumps({"echo": number}))
                await asyncio.sleep(0.3)
        asking = asyncio.create_task(ask())
        print("open", flush=True)
        async for _ in socket:
            pass
async def main():
    await asyncio.gather(*(page() for _ in range(int(sys.argv[2]))))
asyncio.run(main())
"""
"""What open pages take and send, without the browsers, which are on other machines."""


@contextlib.asynccontextmanager
async def panel(service: Service, stage: Stage, pages: int) -> AsyncGenerator[None]:
    """The panel as `serve` runs it, with so many pages open; none: no panel either."""
    if not pages:
        yield
        return
    said: list[str] = []
    host = PanelHost(
        service.config,
        Desk(service, stage, said.append),
        lambda: site_view(service.engine, host_now()),
        list,
        said.append,
    )
    service.watchers.add(host)
    running = asyncio.create_task(host.run())
    while not any("http://" in line for line in said):  # noqa: ASYNC110
        await asyncio.sleep(0.05)
    client = await asyncio.create_subprocess_exec(
        sys.executable, "-c", PAGES, str(service.config.panel.port), str(pages),
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert client.stdout is not None
    for _ in range(pages):
        assert await client.stdout.readline() == b"open\n"
    print(f"panel: {pages} pages open")
    try:
        yield
    finally:
        client.kill()
        await client.wait()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def measure(quick: bool, with_journal: bool, pages: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = site(folder)
        with Program(
            "simulate", "--plain", "--link", str(folder / "board"), "--horn-ms", "0"
        ) as board:
            board.wait_for("board c0110001 on")
            stage = Stage(config, Instrument(config))  # as serve does
            service = Service(config, stage, with_midi=False)
            journal = Journal(config, service.engine.source, service.engine.interlock.latch)
            if with_journal:  # as serve does
                service.watchers.add(journal)
                journal.start()
            running = asyncio.create_task(service.run())
            shown = panel(service, stage, pages)
            await shown.__aenter__()
            try:
                await arm(service, board)
                through, bare = await idle(service, 300 if quick else 1200)
                collected("idle wire, the site", through)
                collected("idle wire, the bare loop", bare)
                state = service.engine.interlock
                print(f"idle wire, {len(through)} and {len(bare)} messages over JACK:")
                print(f"  arrival → last byte written  {percentiles(through)}")
                print(f"  bare loop                    {percentiles(bare)}")
                print(f"  ratio of medians             {median(through) / median(bare):.2f}")
                print(
                    f"  state afterwards             {state.state.value} {state.current_trip or ''}"
                )
                if state.state is State.TRIPPED:
                    return
                service.act(Act.HUSH)
                gc.collect()
                gc.freeze()  # as serve does
                found, sent = await flood(service, 5.0 if quick else 20.0)
                collected("flood", found)
                frame_ms = VOICES_FRAME_BYTES * 10 / BAUD * 1e3
                print(f"flood, {sent} messages at 3,000 a second on 16 channels, 2 coils:")
                print(f"  arrival → last byte drained  {percentiles(found)}")
                print(f"  aim: two frame times + 1 ms = {2 * frame_ms + 1:.2f} ms at p99.9")
                print(
                    f"  state afterwards             {state.state.value} {state.current_trip or ''}"
                )
            finally:
                await shown.__aexit__(None, None, None)
                service.leave()
                await running
                if with_journal:
                    journal.close()
                    print(f"journal: {journal.state}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the messages")
    parser.add_argument("--mqtt", action="store_true", help="with and without MQTT instead")
    parser.add_argument("--no-journal", action="store_true", help="keep no record meanwhile")
    parser.add_argument("--panel", type=int, default=0, help="with so many pages of it open")
    options = parser.parse_args()
    load = os.getloadavg()[0]
    print(f"{os.cpu_count()} processors, load {load:.1f}, Python {sys.version.split()[0]}, "
          "jackd -d dummy without real-time priority, pty instead of a serial port")  # fmt: skip
    server = JackServer(server_name())
    os.environ.update(
        JACK_DEFAULT_SERVER=server.name,
        JACK_NO_START_SERVER="1",
        JACK_NO_AUDIO_RESERVATION="1",
        COILWARDEN_MIDI_API="jack",
    )
    try:
        server.start()
    except pytest.fail.Exception as error:
        raise SystemExit(str(error)) from error
    sys.setswitchinterval(0.0005)  # as serve does
    try:
        if options.mqtt:
            loop.run(measure_mqtt(options.quick))
        else:
            loop.run(measure(options.quick, not options.no_journal, options.panel))
    finally:
        server.stop()


if __name__ == "__main__":
    main()
