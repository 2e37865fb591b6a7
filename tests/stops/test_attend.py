"""Stops attended beside a running service: pyserial's own loop port as the button's adapter, a fifo
as the keypad's device, a socket for the other shell."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import stat
import threading
from datetime import date
from pathlib import Path

import pytest

from bridge.host_clock import host_now
from bridge.interlock import NOT_SAFE, Cause, State
from bridge.latch_store import LatchStore
from bridge.stops.proofs import ProofStore, stop_steps
from bridge.stops.shell_socket import StopFailedError, ask, socket_path
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
            while not ended.wait(0.01):
                running_loop.call_soon_threadsafe(burst)

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


def test_todays_proof_is_looked_up_in_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    today = date(2026, 11, 25)
    monkeypatch.setattr("bridge.stops.attend.local_today", lambda: today)
    built = config(tmp_path)
    site = built.site.model_copy(update={"require_todays_proof": True})
    built = built.model_copy(update={"site": site})
    steps = stop_steps(built)
    for step in steps[1:]:
        ProofStore(built).add(step, today, 12.0)
    ProofStore(built).add(steps[0], date(2026, 11, 24), 12.0)

    async def nothing(made: Running) -> None: ...

    with pytest.raises(AssertionError, match="today's proof"):
        play(built, nothing)
    ProofStore(built).add(steps[0], today, 12.0)
    play(built, nothing)
