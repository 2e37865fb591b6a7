"""`coilwarden stop`: the socket, who may use it, and what is told when nothing can be stopped."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import stat
import threading
from collections.abc import Generator
from pathlib import Path

import pytest

from bridge.config import Config, load_config
from bridge.host_clock import host_now
from bridge.interlock import NOT_SAFE, Cause, State
from bridge.latch_store import LatchBusyError, LatchStore
from bridge.stops import shell_socket, stop_command
from bridge.stops.shell_socket import StopFailedError, ask, socket_path
from tests.chain.rig import bend, note_on
from tests.site_text import SITE
from tests.stops.rig import Running, config, play


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


@contextlib.contextmanager
def answering(built: Config, *chunks: bytes) -> Generator[None]:
    """Something that answers so in the daemon's place; nothing: it never does."""
    with socket.socket(socket.AF_UNIX) as listening:
        path = socket_path(LatchStore(built))
        path.parent.mkdir(parents=True, exist_ok=True)
        listening.bind(str(path))
        listening.listen()

        def serve() -> None:
            with contextlib.suppress(OSError):
                line, _ = listening.accept()
                with line:
                    line.recv(100)
                    for chunk in chunks:
                        line.sendall(chunk)
                    if not chunks:
                        line.recv(100)

        thread = threading.Thread(target=serve)
        thread.start()
        yield
    thread.join(5)


@pytest.mark.parametrize(
    ("chunks", "told"),
    [
        ((b"HTTP/1.1 400\r\n",), "no daemon of this program"),
        ((b"[]\n",), "lacks what ours says"),
        ((b'{"state": "tripped"}\n',), "lacks what ours says"),
        ((b'{"state"', b""), "without an answer"),
        ((b"x" * (2 << 20),), "does not end its answer"),
        ((), "did not answer in time"),  # as a daemon that is frozen
    ],
)
def test_an_answer_that_is_none_is_no_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chunks: tuple[bytes, ...], told: str
) -> None:
    monkeypatch.setattr(shell_socket, "ANSWER_S", 0.2)
    built = config(tmp_path)
    with answering(built, *chunks), pytest.raises(StopFailedError) as raised:
        ask(LatchStore(built), "stop")
    for part in (told, "emergency button", NOT_SAFE):
        assert part in str(raised.value)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may do anything")
def test_one_that_may_not_is_told() -> None:
    with pytest.raises(StopFailedError, match="Permission denied"):
        ask(LatchStore(config(Path("/root"))), "stop")


def test_a_socket_left_behind_by_a_killed_daemon_is_replaced(tmp_path: Path) -> None:
    built = config(tmp_path)
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(socket_path(LatchStore(built))))

    async def story(made: Running) -> None:
        assert (await asyncio.to_thread(ask, made.service.store, "stop"))["state"] == "tripped"

    play(built, story)
    assert not socket_path(LatchStore(built)).exists()


def test_a_second_daemon_of_the_site_leaves_the_firsts_socket_alone(tmp_path: Path) -> None:
    built = config(tmp_path)

    async def story(made: Running) -> None:
        made.service.store.lock()
        with pytest.raises(LatchBusyError):
            LatchStore(built).lock()  # as a second `serve` does before anything else
        assert (await asyncio.to_thread(ask, made.service.store, "stop"))["state"] == "tripped"
        made.service.store.release()

    play(built, story)


def site_file(folder: Path, text: str) -> Path:
    path = folder / "depot.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_command_says_what_was_stopped_though_the_site_file_was_spoilt_meanwhile(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    built = config(tmp_path)
    spoilt = f'''
        [site]
        name = "{built.site.name}"
        state_directory = "{tmp_path}"
        [[coil]]
        name = 7
        nonsense = true
    '''

    async def story(made: Running) -> None:
        code = await asyncio.to_thread(stop_command.run, site_file(tmp_path, spoilt))
        assert code == 0
        assert made.state is State.TRIPPED

    play(built, story)
    told = capsys.readouterr()
    assert "tripped" in told.out
    assert "North: stopped" in told.out
    assert NOT_SAFE in told.out
    assert "nonsense" in told.err


@pytest.mark.parametrize(
    "text", [SITE, "[site", "", "site = 3", "[site]\nname = 7", '[site]\nname = ""']
)
def test_where_nothing_was_stopped_the_command_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert stop_command.run(site_file(tmp_path, text)) == 2
    told = capsys.readouterr().err
    for part in ("nothing was stopped", "emergency button", NOT_SAFE):
        assert part in told


def test_a_controller_that_confirms_nothing_is_told_and_is_exit_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = {
        "known": True, "site": "Depot", "state": "tripped", "trip": "", "caution": NOT_SAFE,
        "controllers": {"North": "stopped", "South": "stop not confirmed yet"},
    }  # fmt: skip
    text = SITE.replace("[site]", f'[site]\nstate_directory = "{tmp_path}"', 1)
    path = site_file(tmp_path, text)
    with answering(load_config(path), json.dumps(answer).encode() + b"\n"):
        assert stop_command.run(path) == 1
    assert "South: stop not confirmed yet" in capsys.readouterr().out
