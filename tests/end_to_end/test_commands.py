"""The commands as a user starts them, each in a process of its own, without MIDI hardware."""

from __future__ import annotations

import csv
import json
import os
import pty
import select
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.cli import VERSION
from bridge.config import load_config
from bridge.music.tuning import note_to_hz
from bridge.site.played_set import read_set
from tests.end_to_end.rig import Program, status, wait_until
from tests.pulse_checker import check_pulses

pytestmark = pytest.mark.real

ROOT = Path(__file__).resolve().parents[2]
BENCH = ROOT / "configs" / "bench.toml"
Process = subprocess.Popen[str]


def coilwarden(*arguments: str, timeout_s: float = 90.0) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "bridge", *arguments],
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
    )


@pytest.fixture(scope="module", autouse=True)
def demo_under_way(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Process, Path]]:
    """The demo takes as long as its piece: it plays while the other commands are tried."""
    file = tmp_path_factory.mktemp("demo") / "pulses.csv"
    with subprocess.Popen(
        [sys.executable, "-m", "bridge", "demo", "--json", "--pulses", str(file)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as process:
        yield process, file
        process.kill()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("serve", "nowhere.toml"), "nowhere.toml: cannot be read"),
        (("bang", str(BENCH), "Rose"), "there are: Larkspur, Foxglove"),
        (("demo", "--pulses", "/nowhere/x.csv"), "there is no folder /nowhere"),
        (("simulate", "--board-id", "xyz"), "eight hexadecimal digits"),
        (("simulate", "--link", "/nowhere/board"), "--link /nowhere/board: there is no folder"),
        (("simulate", "--link", "/tmp"), "--link /tmp: exists and is no symbolic link"),
        (("simulate", "--link", "/proc/self/exe"), "no simulator's link; give another"),
        (("simulate", "--pulses", "/nowhere/x.csv"), "--pulses /nowhere/x.csv: there is no folder"),
        (("simulate", "--pulses", "/"), "--pulses /: Is a directory"),
        (
            ("simulate", "--memory", "/proc/nowhere/m.json"),
            "--memory /proc/nowhere/m.json: No such",
        ),
        (("simulate", "--memory", str(BENCH)), "not a simulated board's memory"),
    ],
)
def test_wrong_input_is_told_and_exits_with_2(arguments: tuple[str, ...], told: str) -> None:
    ended = coilwarden(*arguments)
    assert ended.returncode == 2
    assert told in ended.stderr
    assert "Traceback" not in ended.stderr


def test_the_version_is_told() -> None:
    ended = coilwarden("--version")
    assert ended.returncode == 0
    assert ended.stdout == f"coilwarden {VERSION}\n"


def test_simulate_makes_the_folder_of_its_memory(tmp_path: Path) -> None:
    memory = tmp_path / "not" / "there" / "memory.json"
    with Program("simulate", "--plain", "--link", str(tmp_path / "board"), "--memory", str(memory)
                 ) as board:  # fmt: skip
        board.wait_for("board c0110001 on")
        board.say("estop")
        board.wait_for("emergency stop pressed")
        wait_until(memory.exists, "the memory")
        board.say("quit")
        assert board.process.wait(5) == 0


def test_a_wrong_key_is_named_with_file_and_place(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    text = BENCH.read_text(encoding="utf-8").replace("max_on_time_us = 150", "max_on_us = 150")
    file.write_text(text, encoding="utf-8")
    ended = coilwarden("serve", str(file))
    assert ended.returncode == 2
    assert "site.toml" in ended.stderr
    assert "max_on_us" in ended.stderr
    assert "max_on_time_us" in ended.stderr


def test_ports_lists_and_says_whether_virtual_ports_are_possible() -> None:
    ended = coilwarden("ports")
    assert ended.returncode in (0, 2)
    assert "MIDI ports:" in ended.stdout
    assert "Serial ports:" in ended.stdout
    assert "Traceback" not in ended.stderr


def test_bang_fires_what_was_asked_from_breakout_up(tmp_path: Path) -> None:
    environment = {"XDG_STATE_HOME": str(tmp_path)}
    with Program("bang", str(BENCH), "Larkspur", "--count", "7", "--plain",
                 environment=environment) as bang:  # fmt: skip
        bang.wait_for("Larkspur: step 0 of 20")
        bang.say("fire")  # not armed: nothing may come of it
        wait_until(lambda: status(bang)["open_conditions"] == [], "the arming list")
        assert status(bang)["links"][0]["pulses"] == 0
        bang.say("arm")
        bang.wait_for("ARM?")
        time.sleep(0.5)
        bang.say("confirm")
        bang.wait_for("arming → armed")
        bang.say("fire")
        bang.wait_for("7 bangs asked")
        wait_until(lambda: status(bang)["links"][0]["pulses"] >= 7, "seven bangs")
        time.sleep(0.5)
        view = status(bang)
        assert view["links"][0]["pulses"] == 7
        assert view["links"][0]["guard_refusals"] == 0
        bang.say("longer")
        line = bang.wait_for("Larkspur: step 1 of 20")
        assert " 40." not in line  # longer than breakout by now
        bang.say("hold")
        time.sleep(1.5)
        held = status(bang)["links"][0]["pulses"]
        assert 9 <= held <= 13  # 5 a second for the first repeat's wait, then silence by itself
        bang.say("quit")
        assert bang.process.wait(5) == 0


def test_a_terminal_arms_by_two_keys_and_the_space_bar_stops(tmp_path: Path) -> None:
    """A real terminal (a pty): keys in, the picture out."""
    master, slave = pty.openpty()
    text = BENCH.read_text(encoding="utf-8")
    site = tmp_path / "site.toml"
    # No MIDI service is needed for this: the site has no input.
    begin, end = text.index("[[input]]"), text.index("[music]")
    site.write_text(text[:begin] + text[end:], encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge", "serve", str(site)],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        cwd=ROOT,
        env={**os.environ, "XDG_STATE_HOME": str(tmp_path), "COLUMNS": "160", "LINES": "50",
             "TERM": "xterm"},
    )  # fmt: skip
    os.close(slave)
    shown = bytearray()

    def look_for(part: str, timeout_s: float = 15.0) -> None:
        mark = len(shown)
        deadline_s = time.monotonic() + timeout_s
        while time.monotonic() < deadline_s:
            if select.select([master], [], [], 0.1)[0]:
                shown.extend(os.read(master, 65536))
            if part.encode() in shown[max(0, mark - 4000) :]:
                return
        raise AssertionError(f"{part!r} not shown:\n{shown[-3000:].decode(errors='replace')}")

    try:
        look_for("LOCKED")
        look_for("Silent is not safe to approach")
        deadline_s = time.monotonic() + 15
        armed = False
        while not armed and time.monotonic() < deadline_s:
            os.write(master, b"a")
            time.sleep(0.5)
            os.write(master, b"y")
            try:
                look_for("ARMED", 0.6)
                armed = True
            except AssertionError:
                continue
        assert armed
        os.write(master, b" ")
        look_for("TRIPPED")
        os.write(master, b"r")
        look_for("LOCKED")
        os.write(master, b"q")
        deadline_s = time.monotonic() + 10
        while process.poll() is None and time.monotonic() < deadline_s:
            if select.select([master], [], [], 0.1)[0]:
                try:
                    shown.extend(os.read(master, 65536))
                except OSError:
                    break
        assert process.wait(5) == 0
    finally:
        process.kill()
        process.wait()
        os.close(master)


def test_demo_plays_and_its_pulses_are_lawful(demo_under_way: tuple[Process, Path]) -> None:
    process, file = demo_under_way
    said, complained = process.communicate(timeout=90)
    assert process.returncode == 0, complained
    summary = json.loads(said)
    pulses: dict[str, list[tuple[float, float]]] = defaultdict(list)
    with file.open(encoding="utf-8") as rows:
        for row in csv.DictReader(rows):
            pulses[row["coil"]].append((float(row["start_us"]), float(row["on_time_us"])))
    config = load_config(BENCH)
    played_set = read_set(file, {c.name for c in config.coil})  # as `site --set` takes it
    assert {
        name: sum(map(len, seconds.values())) for name, seconds in played_set.on_times_us.items()
    } == {name: len(found) for name, found in pulses.items()}
    for coil, told in zip(config.coil, summary["coils"], strict=True):
        played = pulses[coil.name]
        assert len(played) > 2000
        assert told["name"] == coil.name
        assert told["summary"]["pulses"] == len(played)
        assert told["guard_refusals"] == 0
        assert abs(told["pitch_error_cents"]) < 1.0
        # The file rounds to 0.1 µs; the bounds get as much.
        assert (
            check_pulses(
                played,
                max_on_us=coil.max_on_time_us,
                min_off_us=coil.min_off_time_us - 0.2,
                max_starts_1s=coil.max_break_rate_hz,
                windows=[
                    (w.window_ms * 1000, w.window_ms * 10 * w.max_percent)
                    for w in coil.duty_windows
                ],
            )
            == []
        )
    assert note_to_hz(57, 440.0) == pytest.approx(220.0)
    # A stop in mid-chord; the bound holds for a loop that is alive, so allow a busy machine's hop.
    silence_ms = summary["stop_to_silence_ms"]
    assert silence_ms is None or silence_ms < 10
    # What begins after the stop also ends after it.
    assert isinstance(summary["pulses_after_stop"], int)
    assert summary["pulses_after_stop"] == 0 or silence_ms is not None
