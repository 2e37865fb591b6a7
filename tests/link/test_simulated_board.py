"""The board in real time, over the pipe and over a pty. Waits are bounds, never speeds."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from bridge.link.simulated_board import PipeTransport, SimulatedBoard
from bridge.link.simulated_controller import BoardMemory, Pulse
from bridge.link.simulated_memory import MemoryFile, load_memory
from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import (
    Arm,
    Hello,
    HostMessage,
    Identity,
    Limits,
    Ping,
    Pong,
    Status,
    Stop,
    Voices,
    parse_controller_message,
)

from .board_bench import BOARD, LIMITS, slot


def wire(message: HostMessage) -> bytes:
    return encode_frame(message.TYPE, 0, message.payload())


async def until(condition: Callable[[], object]) -> None:
    """Waits for something to come true; far longer than it should take is a failure."""
    async with asyncio.timeout(10):
        while not condition():  # noqa: ASYNC110  what it waits for sets no event
            await asyncio.sleep(0.002)


class Host:
    """Collects what the board says over a pipe."""

    def __init__(self, transport: PipeTransport) -> None:
        self.transport = transport
        self.lost: list[str] = []
        self.messages: list[object] = []
        self._reader = FrameReader()
        transport.on_data = self._data
        transport.on_lost = self.lost.append

    def _data(self, data: bytes) -> None:
        for frame in self._reader.feed(data):
            self.messages.append(parse_controller_message(frame.type_code, frame.payload))

    def of(self, kind: type) -> list[object]:
        return [m for m in self.messages if isinstance(m, kind)]

    async def arm(self, board: SimulatedBoard) -> None:
        await board.prove_estop()
        self.transport.write(wire(Limits(LIMITS)) + wire(Ping(1, 1)))
        await until(lambda: self.of(Pong))
        pong = self.of(Pong)[-1]
        assert isinstance(pong, Pong)
        self.transport.write(wire(Arm(pong.nonce, board.controller.digest())))
        await until(lambda: board.controller.state == State.ARMED)


def test_a_performance_over_the_pipe_and_the_lease_at_its_end() -> None:
    async def story() -> None:
        pulses: list[Pulse] = []
        changes: list[tuple[State, Cause]] = []
        async with SimulatedBoard(
            BOARD,
            on_pulses=pulses.extend,
            on_change=lambda c: changes.append((c.state, c.cause)),
        ) as board:
            host = Host(board.transport())
            await host.arm(board)
            now = board.controller.wire_tick
            frame = Voices(board.controller.session, 0, 1, 1, 0, now + 400_000, (slot(4000, 100),))
            host.transport.write(wire(frame))
            await until(lambda: board.controller.state == State.TRIPPED)
            assert board.controller.cause == Cause.LEASE_EXPIRED
            starts = [p.start_tick for p in pulses]
            assert {b - a for a, b in pairwise(starts)} == {4000}
            assert 20 < len(starts) <= 100  # at most the 200 ms of the lease
            assert (State.ARMED, Cause.NONE) in changes
            await until(lambda: any(s.state == State.TRIPPED for s in host.of(Status)))  # type: ignore[attr-defined]
        assert host.lost == ["the simulated board has ended"]

    asyncio.run(story())


def test_the_pipe_carries_a_break_and_inputs_trip() -> None:
    async def story() -> None:
        for act, cause in (
            (lambda b: b.line_break(0.003), Cause.LINE_BREAK),
            (lambda b: b.press_estop(), Cause.ESTOP_OPEN),
            (lambda b: b.key(False), Cause.KEY_OFF),
            (lambda b: b.local_stop(), Cause.LOCAL_STOP),
            (lambda b: b.ready(0, False), Cause.NOT_READY),
            (lambda b: b.reset(ResetCause.WATCHDOG), Cause.WATCHDOG_RESET),
        ):
            async with SimulatedBoard(BOARD) as board:
                host = Host(board.transport())
                await host.arm(board)
                act(board)
                await until(lambda: board.controller.state == State.TRIPPED)
                assert board.controller.cause == cause
        assert await host.transport.send_break(0.003) is False  # closed by now

    asyncio.run(story())


def test_unsent_bytes_wait_for_the_line_and_can_be_discarded() -> None:
    async def story() -> None:
        async with SimulatedBoard(BOARD, baud=9600) as board:
            host = Host(board.transport())
            host.transport.write(wire(Hello()) * 500)
            assert host.transport.unsent_bytes() > 1000
            host.transport.discard_unsent()
            assert host.transport.unsent_bytes() <= 1
            host.transport.write(b"\x00" + wire(Stop(1)))
            await until(lambda: board.controller.state == State.TRIPPED)

    asyncio.run(story())


def test_a_second_host_on_the_pipe_takes_the_line() -> None:
    async def story() -> None:
        async with SimulatedBoard(BOARD) as board:
            first = Host(board.transport())
            second = Host(board.transport())
            assert first.lost == ["opened anew"]
            first.transport.write(wire(Stop(1)))
            second.transport.write(wire(Hello()))
            await until(lambda: second.of(Identity))
            assert board.controller.state == State.LOCKED
            assert first.of(Identity) == []

    asyncio.run(story())


def test_an_error_in_a_step_ends_the_board_and_is_raised() -> None:
    async def story() -> None:
        def fail(pulses: object) -> None:
            raise RuntimeError("planted")

        async with SimulatedBoard(BOARD, on_change=fail) as board:
            host = Host(board.transport())
            await asyncio.sleep(0)
            assert not host.transport.is_open or host.lost == []

    with pytest.raises(RuntimeError, match="planted"):
        asyncio.run(story())


# -- memory --------------------------------------------------------------------------------------


def test_memory_file_keeps_and_refuses_garbage(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "board.json"
    kept = MemoryFile(path)
    assert kept.memory == BoardMemory()
    kept.memory.state, kept.memory.cause, kept.memory.trip_number = State.TRIPPED, Cause.KEY_OFF, 9
    kept.save()
    assert load_memory(path) == BoardMemory(State.TRIPPED, Cause.KEY_OFF, 9, 0)
    for garbage in ("", "{}", '{"state": 9}', "[1]"):
        path.write_text(garbage)
        with pytest.raises(ValueError, match=r"board\.json"):
            load_memory(path)


def test_a_board_is_given_one_memory_only(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not both"):
        SimulatedBoard(BOARD, BoardMemory(), memory_file=tmp_path / "m")


# -- pty -----------------------------------------------------------------------------------------

pty_only = pytest.mark.skipif(sys.platform == "win32", reason="needs a pty")


def read_frames(fd: int, reader: FrameReader) -> list[object]:
    try:
        data = os.read(fd, 4096)
    except BlockingIOError:
        return []
    return [parse_controller_message(f.type_code, f.payload) for f in reader.feed(data)]


@pty_only
def test_over_a_pty_a_host_may_leave_and_come_back(tmp_path: Path) -> None:
    async def story() -> None:
        path = tmp_path / "larkspur"
        async with SimulatedBoard(BOARD, pty_link=path) as board:
            with pytest.raises(ValueError, match="on a pty"):
                board.transport()
            for _ in range(2):
                fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
                try:
                    reader, got = FrameReader(), []
                    os.write(fd, b"\x00" + wire(Hello()))

                    def heard(fd: int = fd, reader: FrameReader = reader, got: list = got) -> bool:
                        got += read_frames(fd, reader)
                        return any(isinstance(m, Identity) for m in got)

                    await until(heard)
                finally:
                    os.close(fd)
                await asyncio.sleep(0.05)
            assert board.controller.boot_id == 1

    asyncio.run(story())
    assert not os.path.lexists(tmp_path / "larkspur")


@pty_only
def test_reset_on_open_restarts_the_board(tmp_path: Path) -> None:
    async def story() -> None:
        path = tmp_path / "foxglove"
        async with SimulatedBoard(BOARD, pty_link=path, reset_on_open=True) as board:
            fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
            await until(lambda: board.controller.boot_id == 2)
            os.close(fd)

    asyncio.run(story())


@pty_only
def test_bytes_wait_in_the_system_until_the_line_has_carried_those_before(tmp_path: Path) -> None:
    async def story() -> None:
        path = tmp_path / "larkspur"
        async with SimulatedBoard(BOARD, pty_link=path, baud=50_000) as board:
            fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            begun = time.monotonic()
            os.write(fd, b"\x00" * 1000 + wire(Stop(1)))
            await until(lambda: board.controller.state == State.TRIPPED)
            # 1,008 bytes at 5,000 a second cannot be through sooner: a bound, not a speed
            assert time.monotonic() - begun >= 0.2
            os.close(fd)

    asyncio.run(story())


@pty_only
def test_a_path_that_is_no_link_is_left_alone(tmp_path: Path) -> None:
    async def story() -> None:
        path = tmp_path / "precious"
        path.write_text("keep")
        board = SimulatedBoard(BOARD, pty_link=path)
        with pytest.raises(FileExistsError, match="precious"):
            async with board:
                pass
        assert path.read_text() == "keep"

    asyncio.run(story())


CHILD = """
import asyncio, sys
from pathlib import Path
from bridge.link.simulated_board import SimulatedBoard
from bridge.link.simulated_controller import BoardSettings

async def main():
    path = Path(sys.argv[1])
    async with SimulatedBoard(BoardSettings(1), memory_file=path):
        print("up", flush=True)
        await asyncio.sleep(60)

asyncio.run(main())
"""


@pytest.mark.real
@pytest.mark.parametrize(
    ("remembered", "cause"),
    [(State.ARMED, Cause.RESET_WHILE_ARMED), (State.LOCKED, Cause.NONE)],
)
def test_a_killed_process_remembers(tmp_path: Path, remembered: State, cause: Cause) -> None:
    path = tmp_path / "memory.json"
    path.write_text(
        json.dumps({"state": int(remembered), "cause": 0, "trip_number": 4, "boot_id": 6})
    )

    async def story() -> None:
        child = await asyncio.create_subprocess_exec(
            sys.executable, "-c", CHILD, str(path), stdout=asyncio.subprocess.PIPE
        )
        assert child.stdout is not None
        async with asyncio.timeout(20):
            assert await child.stdout.readline() == b"up\n"
        child.send_signal(signal.SIGKILL)
        await child.wait()

    asyncio.run(story())
    memory = load_memory(path)
    assert (memory.cause, memory.boot_id) == (cause, 7)
    assert memory.trip_number == (5 if cause else 4)
