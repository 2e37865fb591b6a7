"""The programs on a real terminal or pipe: a stop always goes through, and so does the exit."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from bridge.bang import LET_GO
from bridge.config import load_config
from bridge.interlock import Cause, Latch
from bridge.latch_store import LatchStore
from tests.end_to_end.rig import wait_until
from tests.on_a_terminal import BENCH, ROOT, OnATerminal, is_single


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
