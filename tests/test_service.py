"""The daemon's shell: what goes wrong around the Engine must still end in a stop.

Real event loop, simulated boards in this process (no ports, no MIDI).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import signal
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

import bridge.service
from bridge import loop
from bridge.clocks import HostS
from bridge.config import Config, Controller
from bridge.engine import Act
from bridge.interlock import Cause, State
from bridge.latch_store import LatchStore
from bridge.link.outbox import Outgoing
from bridge.link.transport import LinkError, SerialTransport, Transport, open_serial
from bridge.local_boards import LocalBoards
from bridge.music.instrument import Instrument
from bridge.records import Record
from bridge.service import Service, open_port
from bridge.source import VoiceSource
from bridge.watcher import Watcher
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import State as BoardState
from tests.chain.rig import coil, note_on, site

NOW: Callable[[], float] = time.monotonic


class Kept(Watcher):
    """Keeps the records."""

    def __init__(self, records: list[Record]) -> None:
        self._records = records

    def recorded(self, at_s: HostS, record: Record) -> None:
        self._records.append(record)


class Site:
    """Two racks, armed and sounding."""

    def __init__(
        self,
        folder: Path,
        source: Callable[[Config], VoiceSource] = Instrument,
        inputs: Sequence[dict[str, Any]] | None = None,
    ) -> None:
        self.config: Config = site(
            [coil("Larkspur", "North", 1), coil("Foxglove", "South", 1)],
            inputs=inputs,
            music={"routes": [{"coils": ["Larkspur", "Foxglove"]}]},
            state_directory=str(folder),
        )
        self.boards = LocalBoards(self.config)
        self.records: list[Record] = []
        self.transports: dict[str, Any] = {}
        self.service = Service(
            self.config,
            source(self.config),
            open_port=self._open,
            with_midi=False,
            watchers=[Kept(self.records)],
        )

    async def _open(self, controller: Controller) -> Transport:
        transport = await self.boards.open(controller)
        self.transports[controller.name] = transport
        return transport

    def states(self) -> list[BoardState]:
        return [self.boards.boards[n].controller.state for n in ("North", "South")]

    async def until(self, probe: Callable[[], bool], what: str, timeout_s: float = 8.0) -> None:
        deadline = NOW() + timeout_s
        while not probe():
            assert NOW() < deadline, what
            await asyncio.sleep(0.01)

    async def arm_and_sound(self) -> None:
        await self.boards.prove_estops()
        await self.until(
            lambda: all(c.passed for c in self.service.engine.checks(NOW())), "the arming list"
        )
        self.service.act(Act.ARM)
        await self.until(
            lambda: self.service.engine.interlock.state is not State.ARMING, "confirmations"
        )
        assert self.service.engine.interlock.state is State.ARMED
        self.service.midi_in(NOW(), "keys", note_on(57, 110))
        await self.until(lambda: all(self.boards.pulses.values()), "pulses on both coils")


def play(
    folder: Path,
    story: Callable[[Site], Awaitable[None]],
    prepare: Callable[[Site], None] = lambda made: None,
    made: Site | None = None,
) -> Site:
    made = made or Site(folder)
    prepare(made)

    async def main() -> None:
        async with made.boards:
            running = asyncio.create_task(made.service.run())
            try:
                await made.arm_and_sound()
                await story(made)
            finally:
                made.service.leave()
                await asyncio.gather(running, return_exceptions=True)

    loop.run(main())
    return made


async def tripped(made: Site, cause: Cause) -> None:
    await made.until(
        lambda: made.states() == [BoardState.TRIPPED] * 2, "both boards tripped", timeout_s=1.0
    )
    trip = made.service.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause is cause


def test_a_line_that_fails_in_the_stop_keeps_it_from_no_other(tmp_path: Path) -> None:
    async def story(made: Site) -> None:
        def gone(data: bytes) -> None:
            raise OSError(5, "Input/output error")

        made.transports["North"].write = gone
        made.service.stop(Cause.OPERATOR_STOP)
        # South is stopped by its frame at once; North, cut off, by its lease.
        south = made.boards.boards["South"].controller
        await made.until(lambda: south.state is BoardState.TRIPPED, "South", timeout_s=0.15)
        await tripped(made, Cause.OPERATOR_STOP)

    play(tmp_path, story)


def test_bytes_that_cannot_be_thrown_away_keep_no_stop_back(tmp_path: Path) -> None:
    async def story(made: Site) -> None:
        def fails() -> None:
            raise OSError(5, "Input/output error")

        made.transports["North"].discard_unsent = fails
        made.service.stop(Cause.OPERATOR_STOP)
        await tripped(made, Cause.OPERATOR_STOP)
        assert made.boards.boards["North"].controller.cause is BoardCause.HOST_STOP

    play(tmp_path, story)


def test_a_line_that_tells_its_failure_from_within_a_write_is_a_lost_line(tmp_path: Path) -> None:
    """As the serial library does (checked below): no stop from there, or it would write again."""

    async def story(made: Site) -> None:
        north, writes = made.transports["North"], 0

        def failing(data: bytes) -> None:
            nonlocal writes
            writes += 1
            context = {"message": "Fatal error", "exception": OSError(5, "gone"), "protocol": north}
            asyncio.get_running_loop().call_exception_handler(context)

        north.write = failing
        made.service.stop(Cause.OPERATOR_STOP)
        await tripped(made, Cause.OPERATOR_STOP)
        assert made.boards.boards["South"].controller.cause is BoardCause.HOST_STOP
        assert writes <= 3

    play(tmp_path, story)


def test_the_serial_library_names_our_line_when_a_write_fails() -> None:
    """pyserial-asyncio-fast itself, on a pty whose far end is gone."""

    async def main() -> None:
        master, slave = pty.openpty()
        name = os.ttyname(slave)
        transport = await open_serial(name, 500_000)
        told: list[dict[str, Any]] = []
        asyncio.get_running_loop().set_exception_handler(lambda running, what: told.append(what))
        await asyncio.sleep(0)
        os.close(slave)
        os.close(master)
        transport.write(b"\x00")
        assert [what["protocol"] for what in told] == [transport]
        transport.close()
        await asyncio.sleep(0.05)

    loop.run(main())


def test_a_disk_that_hangs_keeps_no_stop_back_nor_its_repeats(tmp_path: Path) -> None:
    free, gave_up = threading.Event(), threading.Event()

    async def story(made: Site) -> None:
        save = made.service.store.save

        def hangs(latch: Any) -> None:
            if not free.wait(5):
                gave_up.set()
            save(latch)

        made.service.store.save = hangs  # type: ignore[method-assign]
        write, kept = made.transports["North"].write, 0

        def loses_the_first(data: bytes) -> None:
            nonlocal kept
            kept += 1
            if kept > 1:
                write(data)

        made.transports["North"].write = loses_the_first
        made.service.stop(Cause.OPERATOR_STOP)
        await tripped(made, Cause.OPERATOR_STOP)
        await made.until(
            lambda: not any(s.stopping for s in made.service.engine.sessions.values()),
            "the stop confirmed",
            timeout_s=2.0,
        )
        # South by the stop frame; North, which lost it, by the break or the frame's repeat.
        assert made.boards.boards["South"].controller.cause is BoardCause.HOST_STOP
        assert made.boards.boards["North"].controller.cause is not BoardCause.LEASE_EXPIRED
        free.set()

    try:
        made = play(tmp_path, story)
    finally:
        free.set()
    latch = LatchStore(made.config).load()
    assert latch.trip is not None
    assert latch.trip.cause is Cause.OPERATOR_STOP
    assert not gave_up.is_set()


def test_the_daemon_ends_with_its_last_latch_on_disk(tmp_path: Path) -> None:
    async def story(made: Site) -> None:
        save = made.service.store.save

        def slow(latch: Any) -> None:
            time.sleep(0.3)
            save(latch)

        made.service.store.save = slow  # type: ignore[method-assign]

    latch = LatchStore(play(tmp_path, story).config).load()
    assert latch.trip is not None
    assert latch.trip.cause is Cause.SIGNAL_STOP


@pytest.fixture
def at_most_ten_seconds() -> Iterator[None]:
    """Ends a test whose event loop is stuck in a call."""

    def over(number: int, frame: object) -> None:
        raise AssertionError("the event loop is stuck")

    before = signal.signal(signal.SIGALRM, over)
    signal.alarm(10)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@contextlib.asynccontextmanager
async def serial_on_a_pty() -> AsyncIterator[tuple[SerialTransport, int]]:
    """Our end of a pty as a serial port, and the far end's descriptor."""
    master, slave = pty.openpty()
    transport = await open_serial(os.ttyname(slave), 500_000)
    try:
        yield transport, master
    finally:
        transport.close()
        await asyncio.sleep(0.05)
        os.close(slave)
        os.close(master)


@pytest.mark.usefixtures("at_most_ten_seconds")
def test_a_full_line_holds_bytes_and_not_the_loop() -> None:
    async def main() -> None:
        async with serial_on_a_pty() as (transport, master):
            for _ in range(200):
                transport.write(bytes(1000))
            held = transport.unsent_bytes()
            assert held > 0
            # An adapter keeps what it has: the line stays full though we hold nothing any more.
            transport._serial.reset_output_buffer = lambda: None
            transport.discard_unsent()
            assert transport.unsent_bytes() < held
            with contextlib.suppress(BlockingIOError):
                while True:
                    os.write(transport._serial.fd, bytes(1000))
                    await asyncio.sleep(0.001)
            transport.write(b"stop")  # waits its turn, and comes
            got = b""
            os.set_blocking(master, False)
            while not got.endswith(b"stop"):
                await asyncio.sleep(0.005)
                with contextlib.suppress(BlockingIOError):
                    got += os.read(master, 65536)

    loop.run(main())


def test_what_is_written_right_after_opening_arrives() -> None:
    async def main() -> None:
        async with serial_on_a_pty() as (transport, master):
            transport.write(b"hello")
            assert os.read(master, 100) == b"hello"

    loop.run(main())


def test_a_line_that_is_closing_is_asked_without_an_error() -> None:
    async def main() -> None:
        async with serial_on_a_pty() as (transport, _):
            lost: list[str] = []
            port, told = transport._serial, asyncio.Event()
            transport.on_lost = lambda why: (lost.append(why), told.set())
            running, closed, close = asyncio.get_running_loop(), asyncio.Event(), port.close

            def slowly() -> None:  # the library closes in a thread, and tells when that is done
                close()
                running.call_soon_threadsafe(closed.set)
                time.sleep(0.1)

            port.close = slowly
            transport.close()
            await closed.wait()
            assert not lost
            assert transport.unsent_bytes() == 0
            transport.discard_unsent()
            transport.write(b"x")
            assert await transport.send_break(0.001) is False
            await told.wait()

    loop.run(main())


def test_a_log_that_cannot_be_written_keeps_no_stop_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class DeadLog:
        def error(self, what: str, **facts: object) -> None:
            raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.setattr(bridge.service, "log", DeadLog())

    async def story(made: Site) -> None:
        def broken(now_s: float, name: str, message: bytes, arrived_s: float) -> None:
            raise RuntimeError("planted")

        made.service.engine.midi = broken  # type: ignore[method-assign]
        made.service.midi_in(NOW(), "keys", note_on(60))
        await tripped(made, Cause.HOST_FAULT)
        for board in made.boards.boards.values():
            assert board.controller.cause is BoardCause.HOST_STOP

    play(tmp_path, story)


def test_an_error_inside_the_engine_is_a_trip(tmp_path: Path) -> None:
    async def story(made: Site) -> None:
        def broken(now_s: float, name: str, message: bytes, arrived_s: float) -> None:
            raise RuntimeError("planted")

        made.service.engine.midi = broken  # type: ignore[method-assign]
        made.service.midi_in(NOW(), "keys", note_on(60))
        await tripped(made, Cause.HOST_FAULT)

    play(tmp_path, story)


def test_an_engine_that_cannot_even_collect_for_one_controller_stops_the_other(
    tmp_path: Path,
) -> None:
    async def story(made: Site) -> None:
        collect = made.service.engine.collect

        def broken(now_s: float, name: str, unsent: int) -> Outgoing | None:
            if name == "North":
                raise RuntimeError("planted")
            return collect(now_s, name, unsent)

        made.service.engine.collect = broken  # type: ignore[method-assign]
        made.service.midi_in(NOW(), "keys", note_on(60))
        await tripped(made, Cause.HOST_FAULT)
        assert made.boards.boards["South"].controller.cause is BoardCause.HOST_STOP

    play(tmp_path, story)


def test_an_error_in_any_callback_of_the_loop_is_a_trip(tmp_path: Path) -> None:
    async def story(made: Site) -> None:
        def broken() -> None:
            raise RuntimeError("planted")

        asyncio.get_running_loop().call_soon(broken)
        await tripped(made, Cause.HOST_FAULT)

    play(tmp_path, story)


def test_a_task_of_the_daemon_that_dies_stops_before_anything_closes(tmp_path: Path) -> None:
    dies = asyncio.Event()

    def prepare(made: Site) -> None:
        async def inputs() -> None:
            await dies.wait()
            raise RuntimeError("planted")

        made.service._run_inputs = inputs  # type: ignore[method-assign]

    async def story(made: Site) -> None:
        dies.set()
        await tripped(made, Cause.HOST_FAULT)
        for board in made.boards.boards.values():  # by the stop, not by the leases
            assert board.controller.cause is BoardCause.HOST_STOP

    play(tmp_path, story, prepare)


def test_a_screen_that_cannot_be_written_neither_trips_nor_blocks_a_stop(tmp_path: Path) -> None:
    async def story(made: Site) -> None:
        class Broken(Watcher):
            def recorded(self, at_s: HostS, record: Record) -> None:
                raise BrokenPipeError(32, "Broken pipe")

        made.service.watchers.add(Broken())
        made.service.midi_in(NOW(), "keys", b"\x90\x40")  # cut short: worth a record
        await asyncio.sleep(0.1)
        assert made.service.engine.interlock.state is State.ARMED
        made.service.stop(Cause.OPERATOR_STOP)
        await tripped(made, Cause.OPERATOR_STOP)

    play(tmp_path, story)


def test_permission_is_on_disk_before_it_is_on_the_wire(tmp_path: Path) -> None:
    made = Site(tmp_path)
    seen: list[str] = []

    async def main() -> None:
        async with made.boards:
            running = asyncio.create_task(made.service.run())
            save = made.service.store.save

            def saving(latch: Any) -> None:
                locked = [
                    b.controller.state is BoardState.LOCKED for b in made.boards.boards.values()
                ]
                seen.append(f"{latch.state.value} {all(locked)}")
                save(latch)

            made.service.store.save = saving  # type: ignore[method-assign]
            await made.arm_and_sound()
            kept = json.loads(made.service.store.path.read_text(encoding="utf-8"))
            assert kept["state"] in ("arming", "armed")
            made.service.leave()
            await running

    loop.run(main())
    assert seen[0] == "arming True"
    # What the next run finds: the stop that leaving was.
    latch = LatchStore(made.config).load()
    assert latch.state is State.TRIPPED
    assert latch.trip is not None
    assert latch.trip.cause is Cause.SIGNAL_STOP


def test_a_disk_that_cannot_keep_the_latch_cannot_arm(tmp_path: Path) -> None:
    made = Site(tmp_path)

    async def main() -> None:
        async with made.boards:
            running = asyncio.create_task(made.service.run())

            def full(latch: Any) -> None:
                raise OSError(28, "No space left on device")

            made.service.store.save = full  # type: ignore[method-assign]
            with pytest.raises(AssertionError):
                await made.arm_and_sound()
            assert made.service.engine.interlock.state is State.TRIPPED
            assert BoardState.ARMED not in made.states()
            made.service.leave()
            await running

    loop.run(main())


def test_a_simulated_port_is_no_serial_port() -> None:
    config = site([coil("Larkspur", "North", 1)])

    async def main() -> None:
        with pytest.raises(LinkError, match="simulated"):
            await open_port(config.controller[0])

    loop.run(main())
