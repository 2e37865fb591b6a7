"""The latch's disk and the service: permission is on it first, a stop never waits for it."""

from __future__ import annotations

import asyncio
import json
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from bridge import loop
from bridge.interlock import Cause, State
from bridge.latch_store import LatchStore
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import State as BoardState
from tests.running_site import Site, play, tripped


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
