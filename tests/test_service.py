"""The daemon's shell: what goes wrong around the Engine must still end in a stop.

Real event loop, simulated boards in this process (no ports, no MIDI).
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

import bridge.service
from bridge.clocks import HostS
from bridge.interlock import Cause, State
from bridge.link.outbox import Outgoing
from bridge.records import Record
from bridge.watcher import Watcher
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import State as BoardState
from tests.chain.rig import note_on
from tests.running_site import NOW, Site, play, tripped


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
