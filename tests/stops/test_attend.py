"""Stops attended beside a running service: pyserial's own loop port as the button's adapter, a fifo
as the keypad's device, a socket for the other shell."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import stat
import threading
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from bridge.engine import Act
from bridge.host_clock import host_now
from bridge.interlock import NOT_SAFE, Cause, State
from bridge.latch_store import LatchStore
from bridge.stops import attend
from bridge.stops.attend import until_midnight_s
from bridge.stops.proofs import ProofStore
from bridge.stops.shell_socket import StopFailedError, ask, socket_path
from bridge.stops.steps import stop_steps
from tests.chain.rig import bend, note_on
from tests.stops.device import Device
from tests.stops.rig import Running, config, play
from tests.stops.test_keypad import KP1, press, release


def test_a_buttons_adapter_that_vanishes_stops(tmp_path: Path) -> None:
    built = config(tmp_path, stop=[{"name": "Desk", "kind": "button_line", "port": "loop://"}])

    async def story(made: Running) -> None:
        import serial.urlhandler.protocol_loop as looped  # noqa: PLC0415

        with pytest.MonkeyPatch.context() as patch:
            # pyserial's loop port answers CTS with RTS: from here on it answers low.
            patch.setattr(looped.Serial, "cts", property(lambda port: False))
            await made.tripped(Cause.STOP_BUTTON)
        await made.reset()

    play(built, story)


def test_a_keypad_stops_and_one_that_is_gone_stops_too(tmp_path: Path, device: Device) -> None:
    stop = {"name": "Pad", "kind": "keypad", "port": str(device.path)}
    built = config(tmp_path, stop=[stop])

    async def story(made: Running) -> None:
        os.write(device.writer, press(KP1))
        await made.tripped(Cause.STOP_BUTTON)
        os.write(device.writer, release(KP1))
        await made.reset()
        await made.arm()
        os.unlink(device.path)
        device.go_away()
        await made.tripped(Cause.STOP_INPUT_FAULT)

    play(built, story)


def test_another_shell_stops_and_is_told_what_was_stopped(tmp_path: Path) -> None:
    async def story(made: Running) -> None:
        path = socket_path(made.service.store)
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        state = await asyncio.to_thread(ask, made.service.store, "state")
        assert (state["state"], state["caution"]) == ("armed", "")
        unknown = await asyncio.to_thread(ask, made.service.store, "arm")
        assert unknown["known"] is False
        assert made.state is State.ARMED
        answer = await asyncio.to_thread(ask, made.service.store, "stop")
        assert answer["state"] == "tripped"
        assert "cause 32" in answer["trip"]
        assert answer["controllers"] == {"North": "stopped"}
        assert answer["caution"] == NOT_SAFE
        await made.tripped(Cause.OPERATOR_STOP)

    play(config(tmp_path), story)


def test_a_flood_of_notes_keeps_no_other_shell_waiting(tmp_path: Path) -> None:
    async def story(made: Running) -> None:
        running_loop, ended = asyncio.get_running_loop(), threading.Event()

        def burst() -> None:
            for note in range(40, 70):
                made.service.midi_in(host_now(), "keys", note_on(note))
                made.service.midi_in(host_now(), "keys", bend(note))

        def flood() -> None:
            # As the mailbox of the MIDI ports does: the next once the last was taken. The loop has
            # no pause at all.
            while not ended.is_set():
                taken = threading.Event()
                running_loop.call_soon_threadsafe(lambda done=taken: (burst(), done.set()))
                taken.wait(1.0)

        thread = threading.Thread(target=flood)
        thread.start()
        try:
            await asyncio.sleep(0.3)
            answer = await asyncio.to_thread(ask, made.service.store, "stop")
        finally:
            ended.set()
            thread.join()
        assert answer["state"] == "tripped"
        assert answer["controllers"] == {"North": "stopped"}

    play(config(tmp_path), story)


def test_lines_that_never_end_and_callers_that_vanish_stop_nothing(tmp_path: Path) -> None:
    async def story(made: Running) -> None:
        path = str(socket_path(made.service.store))
        for data in (b"x" * 5000, b"\xff\x00\n", b"", b"sto"):
            with socket.socket(socket.AF_UNIX) as caller:
                caller.connect(path)
                with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                    caller.sendall(data)
        await asyncio.sleep(0.1)
        assert made.state is State.ARMED

    play(config(tmp_path), story)


def test_with_no_daemon_it_says_what_else_to_do(tmp_path: Path) -> None:
    store = LatchStore(config(tmp_path))
    for prepared in (False, True):
        if prepared:  # a socket that a killed daemon left behind
            with socket.socket(socket.AF_UNIX) as left:
                left.bind(str(socket_path(store)))
        with pytest.raises(StopFailedError) as raised:
            ask(store, "stop")
        for part in ("no daemon", "nothing was stopped", "emergency button", NOT_SAFE):
            assert part in str(raised.value)


def test_a_state_directory_with_a_long_name_is_no_hindrance(tmp_path: Path) -> None:
    folder = tmp_path / ("a-very-long-name-" * 9)

    async def story(made: Running) -> None:
        assert (await asyncio.to_thread(ask, made.service.store, "stop"))["state"] == "tripped"

    play(config(folder), story)


def test_todays_proof_is_looked_up_in_the_file_and_ends_at_midnight(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    built = config(tmp_path)
    site = built.site.model_copy(update={"require_todays_proof": True})
    built = built.model_copy(update={"site": site})
    store = ProofStore(built)
    clock = [datetime(2026, 11, 25, 22, 0, tzinfo=timezone(timedelta(hours=1)))]
    looked = [0]

    def local_now() -> datetime:
        looked[0] += 1
        return clock[0]

    monkeypatch.setattr(attend, "local_now", local_now)
    monkeypatch.setattr(attend, "PROOF_S", 0.02)
    steps = stop_steps(built)
    for step in steps:
        store.add(step, clock[0], 12.0)

    async def story(made: Running) -> None:
        clock[0] += timedelta(hours=2)
        await made.until(lambda: "today's proof" in made.open_checks(), "midnight")
        assert made.state is State.ARMED  # the music goes on
        found = next(
            c.found for c in made.service.engine.checks(host_now()) if c.name == "today's proof"
        )
        assert steps[0].name in found
        made.service.act(Act.DISARM)
        await made.until(lambda: made.state is State.LOCKED, "locked")
        made.service.act(Act.HUSH)
        await made.until(
            lambda: made.open_checks() == ["today's proof"], lambda: str(made.open_checks())
        )
        made.service.act(Act.ARM)
        assert made.state is State.LOCKED
        for step in steps:
            store.add(step, clock[0], 12.0)
        await made.arm()
        assert "today's proof" not in made.open_checks()
        clock[0] += timedelta(days=1)
        await made.until(lambda: "today's proof" in made.open_checks(), "the next midnight")
        clock[0] -= timedelta(days=1)  # set back: the day of the proofs again
        at = looked[0]
        await made.until(lambda: looked[0] > at + 4, "looked at again")
        assert "today's proof" in made.open_checks()

    play(built, story)


def test_the_date_is_looked_at_when_it_changes() -> None:
    zone = timezone(timedelta(hours=1))
    assert until_midnight_s(datetime(2026, 11, 25, 23, 59, 59, tzinfo=zone)) == 1.0
    assert until_midnight_s(datetime(2026, 12, 31, 0, 0, tzinfo=zone)) == 86400.0
