"""Journals that are damaged, foreign or out of reach: named, and nothing of the rest is lost."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from bridge.cli import app
from bridge.clocks import HostS
from bridge.journal import reading
from bridge.journal.codec import pack_note
from bridge.journal.database import Database
from bridge.journal.files import parts_of
from bridge.journal.night import Night
from bridge.journal.values import Noted
from tests.running_site import Site

ROOT = Path(__file__).resolve().parents[2]
COMMANDS = ("show", "export", "replay", "report")


def call(*arguments: object) -> Result:
    done = CliRunner().invoke(app, ["journal", *(str(a) for a in arguments)])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


@pytest.fixture
def copy(run: tuple[Site, Night], tmp_path: Path) -> Path:
    return Path(shutil.copy(run[1].paths[0], tmp_path))


def change(path: Path, statement: str, *values: object) -> None:
    with sqlite3.connect(path) as db:
        db.execute(statement, values)
    db.close()


def piece(first: Path, part: int, words: str) -> Path:
    """A further part of a run, with one note in it."""
    night = Night(first)
    path = first.with_name(first.name.replace(".001.", f".{part:03d}."))
    at_s = HostS(night.began_s + night.duration_s + part * 0.01)
    database = Database(path, {**night.about, "part": str(part)})
    database.add([pack_note(Noted(at_s, "test", words))], at_s, at_s, 0.0)
    database.close()
    return path


@pytest.mark.parametrize("value", ["", "x", "nan", "inf", "1e308", "null", "9" * 400])
@pytest.mark.parametrize("key", ["began_s", "began_day_s", "part", "latch", "source"])
def test_a_file_that_says_nonsense_of_itself(copy: Path, key: str, value: str) -> None:
    change(copy, "UPDATE about SET value = ? WHERE key = ?", value, key)
    done = call("replay", copy)
    assert done.exit_code in (1, 2)
    assert str(copy) in done.stderr or done.exit_code == 1


@pytest.mark.parametrize("key", sorted(reading._ABOUT))  # pyright: ignore[reportPrivateUsage]
def test_a_file_that_does_not_say_what_it_is_of(copy: Path, key: str) -> None:
    change(copy, "DELETE FROM about WHERE key = ?", key)
    for command in COMMANDS:
        done = call(command, copy)
        assert done.exit_code == 2
        assert f"is damaged: it does not say its {key}" in done.stderr


@pytest.mark.parametrize("column", ["first_s", "last_s", "body"])
@pytest.mark.parametrize("value", ["word", b"\x00\xff", 1e308, -1e308, float("inf")])
def test_a_batch_with_values_that_none_has(copy: Path, column: str, value: object) -> None:
    change(copy, f"UPDATE chunk SET {column} = ? WHERE number = 1", value)
    listed, shown = call("list", copy.parent), call("show", copy)
    assert shown.exit_code == 2
    assert "is damaged" in shown.stderr
    assert listed.exit_code == (0 if column == "body" else 1)


def test_an_event_of_another_time_is_damage(copy: Path) -> None:
    body = zlib.compress(pack_note(Noted(HostS(1e300), "a", "b")))
    change(copy, "UPDATE chunk SET body = ? WHERE number = 1", body)
    done = call("show", copy)
    assert done.exit_code == 2
    assert "batch 1 is damaged: an event at 1e+300 s is not of its time" in done.stderr


def test_a_journal_that_holds_nothing_is_no_identical_night(copy: Path) -> None:
    change(copy, "DELETE FROM chunk")
    done = call("replay", copy)
    assert done.exit_code == 1
    assert "it holds nothing to compare" in done.stdout


def test_a_batch_that_unpacks_without_end_is_damage(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "MOST_BATCH_BYTES", 1_000_000)
    change(copy, "UPDATE chunk SET body = ? WHERE number = 1", zlib.compress(bytes(1_000_001)))
    assert "its end is missing, or too far away" in call("show", copy).stderr


def test_a_damaged_part_costs_no_other(copy: Path) -> None:
    last = piece(copy, 2, "the last words")
    copy.write_bytes(b"SQLite format 3\0" + bytes(4000))
    for path in (copy, last):
        done = call("show", path)
        assert done.exit_code == 1  # not all of it
        assert "the last words" in done.stdout
        assert f"{copy}: is damaged" in done.stderr
    listed = call("list", copy.parent)
    assert listed.exit_code == 1
    assert str(last) in listed.stdout
    assert f"{copy}: is damaged" in listed.stderr
    assert call("replay", last).exit_code == 2  # how it began is not known


def test_a_part_that_is_gone_is_told(copy: Path) -> None:
    piece(copy, 2, "the second")
    assert call("replay", copy).exit_code == 0
    piece(copy, 4, "the fourth")
    words = "what lies between part 2 and it is gone"
    for command in COMMANDS:
        done = call(command, copy)
        assert done.exit_code == 1, command
        assert words in done.stdout + done.stderr, command


def test_the_thousandth_part_comes_after_the_nine_hundred_and_ninety_ninth(tmp_path: Path) -> None:
    paths = [tmp_path / f"site.20260101-000000-1.{n:03d}.journal" for n in (998, 999, 1000, 1001)]
    for path in paths:
        path.touch()
    assert parts_of(paths[2]) == paths


@pytest.mark.parametrize("ending", ["", "-wal", "-shm"])
def test_nothing_is_written_over_a_journal(copy: Path, ending: str) -> None:
    before = copy.read_bytes()
    link = copy.with_name("night.html")
    link.symlink_to(copy)
    for target in (copy.with_name(copy.name + ending), link):
        for command in (("export", copy, "--output"), ("report", copy, "--html")):
            done = call(*command, target)
            assert done.exit_code == 2
            assert "is a journal, and stays one" in done.stderr
    assert copy.read_bytes() == before


def test_odd_names_move_no_cursor_and_break_no_line(copy: Path, tmp_path: Path) -> None:
    night = Night(copy)
    chunk = night.chunks[0]
    body = zlib.compress(pack_note(Noted(HostS(chunk.first_s), "\x1b[2J\udcff", "one\ntwo")))
    change(copy, "UPDATE chunk SET body = ? WHERE number = 0", body)
    shown = call("show", copy, "--only", "notes").stdout
    (line,) = shown.splitlines()
    assert line.endswith("\\x1b[2J\\udcff: one\\ntwo")
    for form in ("--csv", "--all"):
        assert call("export", copy, "--output", tmp_path / "out", form).exit_code == 0
    first = json.loads((tmp_path / "out").read_text(encoding="utf-8").splitlines()[0])
    assert first["what"] == "\x1b[2J\udcff: one\ntwo"


@pytest.mark.parametrize("name", ["-rf.journal", "a?mode=rwc#b.journal", "Ü \n%41.journal"])
def test_any_name_will_do(copy: Path, name: str) -> None:
    path = copy.rename(copy.with_name(name))
    assert call("show", path).exit_code == 0
    assert call("list", path.parent).exit_code == 0  # renamed, it is in no list


@pytest.mark.parametrize("make", [Path.mkdir, lambda p: p.symlink_to("/nowhere/at/all")])
def test_what_only_has_a_journals_name_is_named(copy: Path, make: Callable[[Path], None]) -> None:
    odd = copy.with_name("site.20000101-000000-1.001.journal")
    make(odd)
    listed = call("list", copy.parent)
    assert listed.exit_code == 1
    assert str(copy) in listed.stdout
    assert str(odd) in listed.stderr
    assert call("show", copy.parent).exit_code == 0


@pytest.mark.real
def test_a_write_protected_medium(copy: Path, tmp_path: Path) -> None:
    """On a tmpfs mounted read-only: a closed journal is read, one cut off in its log says so."""
    unshare = ["unshare", "-m"] if os.geteuid() == 0 else ["unshare", "-rm"]
    mounted = tmp_path / "medium"
    mounted.mkdir()
    probe = subprocess.run([*unshare, "mount", "-t", "tmpfs", "tmpfs", str(mounted)], check=False)
    if probe.returncode:
        pytest.skip("no tmpfs can be mounted here: run this as root, or allow user namespaces")
    python = f"{sys.executable} -m bridge journal"
    script = f"""
        mount -t tmpfs tmpfs {mounted} && cp {copy} {mounted} && mount -o remount,ro {mounted}
        {python} list {mounted} || exit 1
        mount -o remount,rw {mounted} && echo log > {mounted}/{copy.name}-wal
        mount -o remount,ro {mounted}
        {python} show {mounted}
        test $? = 2
    """
    done = subprocess.run(
        [*unshare, "sh", "-c", script], check=False, capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert copy.name in done.stdout
    assert "its end lies in the -wal file beside it" in done.stderr
