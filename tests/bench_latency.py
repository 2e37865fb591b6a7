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
import gc
import os
import sys
import tempfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bridge import loop
from bridge.engine import Act
from bridge.interlock import State
from bridge.journal.journal import Journal
from bridge.link.renewal import VOICES_FRAME_BYTES
from bridge.music.instrument import Instrument
from bridge.service import Service
from bridge.stage import Stage
from tests.end_to_end.rig import Program
from tests.jack import JackServer, server_name
from tests.latency_pages import panel
from tests.latency_wire import BAUD, arm, collected, flood, idle, median, percentiles, site


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
