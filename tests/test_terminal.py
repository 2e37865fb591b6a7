"""The operator's terminal: a stop always goes through, whatever the terminal does meanwhile."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Generator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from bridge import loop, terminal
from bridge.bang import LET_GO
from bridge.config import load_config
from bridge.console import QUESTION
from bridge.engine import Act, Engine
from bridge.interlock import NOT_SAFE, Cause, Change, Event, Latch, State, Trip
from bridge.latch_store import LatchStore
from bridge.midi_ports import PortState, PortStatus
from bridge.music.instrument import Instrument
from bridge.painter import Painter
from bridge.records import ArmDenied, InputChanged, InterlockChanged, Record, ResetDenied
from bridge.serve import input_lines
from bridge.service import Service
from bridge.terminal import Operator, record_line
from bridge.tty_input import single_keys
from bridge.view import site_view
from tests.end_to_end.rig import wait_until
from tests.site_text import site

ROOT = Path(__file__).resolve().parents[1]
BENCH = ROOT / "configs" / "bench.toml"


class FakeService:
    """A service that only notes what it is told; its engine is real."""

    def __init__(self) -> None:
        self.engine = Engine(site(), Instrument(site()), Latch())
        self.midi: Any = None
        self.told: list[Any] = []

    def stop(self, cause: Cause, detail: str = "", by: str = "") -> None:
        assert by == terminal.TERMINAL
        self.told.append(cause)
        self.engine.trip(time.monotonic(), cause, "", detail)

    def act(self, act: Act, by: str) -> None:
        assert by == terminal.TERMINAL
        self.told.append(act)

    def source_changed(self) -> None:
        self.told.append("source")

    def leave(self) -> None:
        self.told.append("leave")


def operator(extra: terminal.Extra | None = None) -> tuple[Operator, FakeService]:
    service = FakeService()
    return Operator(cast(Service, service), extra), service


# -- lines -----------------------------------------------------------------------------------------


TRIP = Trip(3, Cause.OPERATOR_STOP, "", "")
CHANGES = [
    Change(State.LOCKED, Event.ARM, State.ARMING, None),
    Change(State.ARMING, Event.DISARM, State.LOCKED, None),
    Change(State.ARMED, Event.DISARM, State.LOCKED, None),
    Change(State.ARMED, Event.TRIP, State.TRIPPED, TRIP),
    Change(State.TRIPPED, Event.RESET, State.LOCKED, None),
]
NOT_ARMED: list[Record] = [
    *map(InterlockChanged, CHANGES),
    ArmDenied(("key: off",)),
    ResetDenied(("Rack: cause remains",)),
]


@pytest.mark.parametrize("record", NOT_ARMED, ids=str)
def test_every_line_of_a_site_that_is_not_armed_says_that_it_is_not_safe(record: Record) -> None:
    assert (record_line(record) or "").endswith(NOT_SAFE)


def test_the_arming_list_in_words_says_that_silent_is_not_safe() -> None:
    taken, _ = operator()
    taken.key("a")
    (line,) = taken.lines
    assert line.text.startswith("not yet: ")
    assert line.text.endswith(NOT_SAFE)


def test_lines_carry_the_time_of_day() -> None:
    taken, _ = operator()
    taken.say("something")
    assert re.fullmatch(r"\d\d:\d\d:\d\d", taken.lines[-1].clock)
    assert taken.lines[-1].text == "something"


def test_the_same_line_again_pushes_no_other_away() -> None:
    taken, _ = operator()
    taken.say("first")
    for _ in range(100):
        taken.say("held key")
    assert [line.text for line in taken.lines] == ["first", "held key"]


def test_an_input_that_stays_absent_is_reported_once() -> None:
    taken, _ = operator()
    printed: list[str] = []
    taken.print_line = lambda line, keep: printed.append(line)
    for text in ("absent", "absent", "absent", "connected", "absent", "absent"):
        taken.recorded(1.0, InputChanged("Keyboard", text))
    taken.recorded(1.0, InputChanged("DAW", "absent"))
    assert printed == [
        "input Keyboard: absent", "input Keyboard: connected", "input Keyboard: absent",
        "input DAW: absent",
    ]  # fmt: skip


def test_each_input_says_at_the_start_what_it_waits_for() -> None:
    assert input_lines(site()) == [
        'input DAW: opens the virtual port "Coilwarden" and waits for a sender',
        'input Keyboard: waits for a MIDI port whose name fits "keyboard|piano"',
    ]


def test_changes_of_state_are_what_a_full_output_keeps() -> None:
    taken, _ = operator()
    kept: list[bool] = []
    taken.print_line = lambda line, keep: kept.append(keep)
    taken.recorded(1.0, InterlockChanged(CHANGES[3]))
    taken.recorded(1.0, ResetDenied(("x",)))
    assert kept == [True, False]


def test_a_stop_that_changes_nothing_is_answered_and_done_all_the_same() -> None:
    taken, service = operator()
    taken.key(" ")
    taken.key("\x1b")
    taken.word(" STOP ")
    assert service.told == [Cause.OPERATOR_STOP] * 3
    assert taken.lines[-1].text == f"stop: tripped already. {NOT_SAFE}"


def test_an_arrow_key_stops() -> None:
    taken, service = operator()
    for key in "\x1b[A":
        taken.key(key)
    assert service.told == [Cause.OPERATOR_STOP]


def test_quit_by_key_leaves() -> None:
    for key in ("q", "\x1c"):
        taken, service = operator()
        taken.key(key)
        assert service.told == ["leave"]


def test_a_commands_own_keys_take_a_request_to_arm_back() -> None:
    taken, service = operator(lambda said: "" if said == "+" else None)
    assert taken._console.word(time.monotonic(), "arm", State.LOCKED, []).text == QUESTION
    assert taken.question() == QUESTION
    taken.key("+")
    assert taken.question() == ""
    assert service.told == ["source"]
    assert not taken.lines  # no answer, no line


# -- what there is to see --------------------------------------------------------------------------


def test_a_controller_never_heard_of_has_no_status_age() -> None:
    _, service = operator()
    view = json.loads(json.dumps(site_view(service.engine, 5.0).as_json(), allow_nan=False))
    for link in view["links"]:
        assert link["status_age_ms"] is None
        assert link["clock_ppm"] is None


def test_inputs_are_seen_with_their_state_and_messages() -> None:
    taken, service = operator()
    assert taken.view().inputs == ()  # not open yet
    service.midi = SimpleNamespace(
        status={
            "DAW": PortStatus(PortState.CONNECTED, ("x",), "", 0),
            "Keyboard": PortStatus(PortState.ABSENT, (), "nothing fits", 3),
        }
    )
    service.engine.midi(5.0, "DAW", b"\x90\x40\x40", 5.0)
    view = taken.view()
    assert [(i.name, i.state, i.note, i.dropped) for i in view.inputs] == [
        ("DAW", "connected", "", 0), ("Keyboard", "absent", "nothing fits", 3)
    ]  # fmt: skip
    assert view.midi_messages == {"DAW": 1, "Keyboard": 0}


# -- the terminal's settings -----------------------------------------------------------------------


@contextlib.contextmanager
def a_pty() -> Generator[tuple[int, int]]:
    master, slave = pty.openpty()
    try:
        yield master, slave
    finally:
        os.close(master)
        os.close(slave)


def is_single(descriptor: int) -> bool:
    """What single keys need, read back from the terminal."""
    iflag, _, _, lflag, _, _, keys = termios.tcgetattr(descriptor)
    off = os.fpathconf(descriptor, "PC_VDISABLE").to_bytes(1, "big")
    return (
        not iflag & (termios.IXON | termios.IXOFF)  # Ctrl-S freezes nothing
        and not lflag & (termios.ICANON | termios.ECHO)
        and keys[termios.VSUSP] == off  # Ctrl-Z suspends nothing
        and keys[termios.VQUIT] == off  # Ctrl-\ kills nothing
        and bool(lflag & termios.ISIG)  # Ctrl-C is a signal still
        and keys[termios.VINTR] != off
    )


def test_while_single_keys_are_on_no_key_takes_the_hand_off_the_stop() -> None:
    async def scene() -> None:
        with a_pty() as (_, slave):
            before = termios.tcgetattr(slave)
            assert not is_single(slave)
            with single_keys(slave):
                assert is_single(slave)
            assert termios.tcgetattr(slave) == before

    loop.run(scene())


def test_single_keys_are_on_again_after_a_suspension() -> None:
    async def scene() -> None:
        with a_pty() as (_, slave):
            before = termios.tcgetattr(slave)
            with single_keys(slave):
                # What a shell does to the terminal while the program is suspended.
                termios.tcsetattr(slave, termios.TCSANOW, before)
                os.kill(os.getpid(), signal.SIGCONT)
                for _ in range(500):
                    if is_single(slave):
                        break
                    await asyncio.sleep(0.01)
                assert is_single(slave)

    loop.run(scene())


# -- drawing ---------------------------------------------------------------------------------------


def fill(descriptor: int) -> None:
    """Writes until the terminal takes no more, now and a moment later."""
    os.set_blocking(descriptor, False)
    full = False
    while not full:
        full = True
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(descriptor, b".")
                full = False
        time.sleep(0.05)  # the system moves what was written between buffers of its own
    os.set_blocking(descriptor, True)


def test_a_terminal_that_takes_nothing_holds_neither_the_caller_nor_the_exit() -> None:
    went_on = threading.Event()
    painters: list[Painter] = []
    waited: list[bool] = []

    def read_at_last(master: int) -> None:
        """Begins to read once the caller went on, or so late that it plainly does not."""
        waited.append(not went_on.wait(10))
        while not painters or painters[0]._thread.is_alive():
            if select.select([master], [], [], 0.05)[0]:
                os.read(master, 65536)

    with a_pty() as (master, slave):
        fill(slave)
        reader = threading.Thread(target=read_at_last, args=(master,))
        reader.start()
        painters.append(painter := Painter(slave))
        for _ in range(200):
            painter.paint(lambda: "picture " * 2000)
        left = painter.close(0.05)
        went_on.set()
        reader.join()
    assert waited == [False]
    assert not left  # it was stuck in a write, and left to itself


def test_what_cannot_be_drawn_is_told() -> None:
    def broken() -> str:
        raise ValueError("no picture")

    with a_pty() as (master, slave):
        painter = Painter(slave)
        painter.paint(broken)
        painter._thread.join(10)
        assert str(painter.failure) == "no picture"
        assert painter.close()
        assert select.select([master], [], [], 5)[0]


# -- real terminals --------------------------------------------------------------------------------


# Makes standard input the process's controlling terminal: its keys become signals.
TAKE_TERMINAL = (
    "import fcntl, runpy, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "runpy.run_module('bridge', run_name='__main__', alter_sys=True)"
)


class OnATerminal:
    """`coilwarden` with a terminal (a pty) of its own."""

    def __init__(self, *arguments: str, state_home: Path, **environment: str) -> None:
        self.master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (24, 80))
        self.process = subprocess.Popen(
            [sys.executable, "-c", TAKE_TERMINAL, *arguments],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            cwd=ROOT,
            env={**os.environ, "XDG_STATE_HOME": str(state_home), "TERM": "xterm", **environment},
            start_new_session=True,
        )
        os.close(slave)
        self.shown = bytearray()

    def read(self, wait_s: float = 0.1) -> bool:
        """Reads what is shown; False once the terminal is closed."""
        if select.select([self.master], [], [], wait_s)[0]:
            try:
                data = os.read(self.master, 65536)
            except OSError:
                return False
            self.shown.extend(data)
        return True

    def look_for(self, part: str, timeout_s: float = 20.0) -> None:
        """Reads until `part` was shown since the last key. Rows are told apart by what moves the
        cursor, so `part` must fit in one."""
        deadline_s = time.monotonic() + timeout_s
        while part.encode() not in self.shown:
            assert time.monotonic() < deadline_s, f"{part!r} not in {self.text()[-3000:]}"
            if not self.read():
                break
        assert part.encode() in self.shown, f"{part!r} not in {self.text()[-3000:]}"

    def text(self) -> str:
        return self.shown.decode(errors="replace")

    def press(self, keys: bytes) -> None:
        self.shown.clear()
        os.write(self.master, keys)

    def end(self, timeout_s: float = 10.0, *, reading: bool = True) -> int:
        """Waits for the program to end by itself; its exit code."""
        deadline_s = time.monotonic() + timeout_s
        while self.process.poll() is None:
            assert time.monotonic() < deadline_s, f"still running: {self.text()[-3000:]}"
            if not (reading and self.read()):
                time.sleep(0.02)
        while reading and self.read(0.0) and select.select([self.master], [], [], 0)[0]:
            pass
        return self.process.returncode

    def __enter__(self) -> OnATerminal:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self.master)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """The bench without an input, so that no MIDI service is needed."""
    text = BENCH.read_text(encoding="utf-8")
    file = tmp_path / "site.toml"
    begin, end = text.index("[[input]]"), text.index("[music]")
    text = text[:begin] + text[end:]
    file.write_text(text.replace('name = "Workbench"', f'name = "Workbench"\n'
                                 f'state_directory = "{tmp_path / "state"}"'))  # fmt: skip
    return file


def latch(site_file: Path) -> Latch:
    return LatchStore(load_config(site_file)).load()


@pytest.mark.real
def test_ctrl_s_freezes_nothing_and_ctrl_z_suspends_nothing(bench: Path, tmp_path: Path) -> None:
    with OnATerminal("serve", str(bench), state_home=tmp_path) as serve:
        serve.look_for("LOCKED")
        assert is_single(serve.master)
        serve.press(b"\x13\x1a")
        serve.press(b" ")
        serve.look_for("TRIPPED")
        serve.press(b"q")
        assert serve.end() == 0


@pytest.mark.real
def test_ctrl_backslash_leaves_in_order(bench: Path, tmp_path: Path) -> None:
    with OnATerminal("serve", str(bench), state_home=tmp_path) as serve:
        serve.look_for("LOCKED")
        serve.press(b"\x1c")
        assert serve.end() == 0
        assert "left: locked. Silent is not safe" in serve.text()


@pytest.mark.real
def test_the_signal_quit_leaves_in_order(bench: Path, tmp_path: Path) -> None:
    with OnATerminal("serve", str(bench), state_home=tmp_path) as serve:
        serve.look_for("LOCKED")
        serve.process.send_signal(signal.SIGQUIT)
        assert serve.end() == 0
        assert "left: locked. Silent is not safe" in serve.text()


@pytest.mark.real
def test_after_a_suspension_the_space_bar_stops_without_enter(bench: Path, tmp_path: Path) -> None:
    with OnATerminal("serve", str(bench), state_home=tmp_path) as serve:
        cooked = termios.tcgetattr(serve.master)
        serve.look_for("LOCKED")
        serve.process.send_signal(signal.SIGSTOP)
        termios.tcsetattr(serve.master, termios.TCSANOW, cooked)  # as a shell does
        assert not is_single(serve.master)
        serve.process.send_signal(signal.SIGCONT)
        wait_until(lambda: is_single(serve.master), "single keys")
        serve.press(b" ")
        serve.look_for("TRIPPED")


@pytest.mark.real
def test_a_terminal_nobody_reads_keeps_neither_the_stop_nor_the_exit_back(
    bench: Path, tmp_path: Path
) -> None:
    with OnATerminal("serve", str(bench), state_home=tmp_path) as serve:
        serve.look_for("LOCKED")
        time.sleep(2.0)  # pictures enough to fill it: nothing is read from here on
        serve.press(b" ")
        trip = wait_until(lambda: latch(bench).trip, "the stop")
        assert trip.cause is Cause.OPERATOR_STOP
        serve.press(b"q")
        assert serve.end(reading=False) == 0


@pytest.mark.real
def test_the_question_is_seen_on_a_small_terminal(bench: Path, tmp_path: Path) -> None:
    with OnATerminal("serve", str(bench), state_home=tmp_path) as serve:
        serve.look_for("ready to arm")
        serve.press(b"a")
        serve.look_for("ARM? Is everybody")
        serve.press(b"q")
        assert serve.end() == 0


@pytest.mark.real
def test_why_midi_cannot_be_had_is_told_after_the_picture_is_gone(tmp_path: Path) -> None:
    with OnATerminal(
        "serve", str(BENCH), state_home=tmp_path, COILWARDEN_MIDI_API="nothing"
    ) as serve:
        assert serve.end() == 2
        told = serve.text()
    assert "MIDI input: " in told
    # Behind the alternate screen's end (xterm's private mode 1049): else nobody sees it.
    assert told.rindex("MIDI input: ") > told.rindex("\x1b[?1049l")


@pytest.mark.real
def test_a_held_plus_is_one_step_in_a_terminal(bench: Path, tmp_path: Path) -> None:
    with OnATerminal("bang", str(bench), "Larkspur", state_home=tmp_path) as bang:
        bang.look_for("LOCKED")
        bang.press(b"+++++")
        bang.look_for(LET_GO)
        bang.press(b"f")
        bang.look_for("step 1 of 20")
        bang.look_for("1 bang asked")


@pytest.mark.real
def test_a_pipe_nobody_reads_keeps_neither_the_stop_nor_the_exit_back(
    bench: Path, tmp_path: Path
) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge", "serve", str(bench), "--plain"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
        env={**os.environ, "XDG_STATE_HOME": str(tmp_path)},
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdout.read(1)  # it runs
        for _ in range(10):
            process.stdin.write(b"status\n" * 40)  # far more than a pipe holds
            process.stdin.flush()
            time.sleep(0.05)
        process.stdin.write(b"stop\n")
        process.stdin.flush()
        trip = wait_until(lambda: latch(bench).trip, "the stop")
        assert trip.cause is Cause.OPERATOR_STOP
        process.stdin.write(b"quit\n")
        process.stdin.flush()
        assert process.wait(10) == 0
    finally:
        process.kill()
        process.wait()
        process.stdin.close()
        process.stdout.close()
