"""`coilwarden journal` over a recorded run, and over files that are none."""

from __future__ import annotations

import csv
import io
import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from bridge.cli import app
from bridge.journal.night import Night
from tests.running_site import Site


def call(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["journal", *(str(a) for a in arguments)])


def test_list_names_every_run_of_a_folder(run: tuple[Site, Night]) -> None:
    _, night = run
    done = call("list", night.paths[0].parent)
    assert done.exit_code == 0
    assert str(night.paths[0]) in done.stdout
    (row,) = json.loads(call("list", night.paths[0].parent, "--json").stdout)
    assert row["events"] == night.events > 500
    assert row["site"] == "Depot yard"


def test_show_tells_the_night_in_words(run: tuple[Site, Night]) -> None:
    _, night = run
    text = call("show", night.paths[0]).stdout
    assert "keys: channel 1 note on A3 110" in text  # note 57, middle C being C4
    assert "hush, by terminal" in text
    assert "stop: The operator pressed stop. [planted], by panel Tablet" in text
    assert "armed → tripped" in text
    assert "Silent is not safe to approach" in text
    assert "tick" not in text


def test_show_everything_has_frames_statuses_and_clocks(run: tuple[Site, Night]) -> None:
    _, night = run
    text = call("show", night.paths[0], "--all").stdout
    for part in ("→ North: voices", "← North: armed; pulses", " ppm ± ", "timer", "→ South: Stop"):
        assert part in text
    few = call("show", night.paths[0], "--only", "status", "--from", 0.5, "--to", 1.0).stdout
    kinds = {line.split()[2] for line in few.splitlines()}
    assert kinds == {"status"}
    assert all(0.5 <= float(line.split()[1]) <= 1.0 for line in few.splitlines())


def test_export_is_csv_or_json_lines(run: tuple[Site, Night], tmp_path: Path) -> None:
    _, night = run
    rows = list(csv.DictReader(io.StringIO(call("export", night.paths[0], "--csv").stdout)))
    assert {"time", "seconds", "kind", "what"} == set(rows[0])
    output = tmp_path / "night.jsonl"
    assert call("export", night.paths[0], "--output", output).exit_code == 0
    lines = [json.loads(line) for line in output.read_text(encoding="utf-8").splitlines()]
    assert len(lines) == len(rows)
    assert lines[0]["time"] == pytest.approx(night.began_day_s, abs=1)


def test_replay_says_identical(run: tuple[Site, Night]) -> None:
    _, night = run
    done = call("replay", night.paths[0])
    assert done.exit_code == 0, done.stdout
    assert "identical: today's program would have acted the very same" in done.stdout
    assert json.loads(call("replay", night.paths[0], "--json").stdout)["identical"] is True


def altered(night: Night, folder: Path, statement: str, *values: object) -> Path:
    """A copy of the journal with something in it changed."""
    path = folder / night.paths[0].name
    shutil.copy(night.paths[0], path)
    with sqlite3.connect(path) as db:
        db.execute(statement, values)
    db.close()
    return path


def test_replay_says_where_it_first_differs(run: tuple[Site, Night], tmp_path: Path) -> None:
    _, night = run
    config = json.loads(night.about["config_used"])
    config["coil"][0]["max_on_time_us"] = 90.0
    path = altered(
        night, tmp_path, "UPDATE about SET value = ? WHERE key = 'config_used'", json.dumps(config)
    )
    done = call("replay", path)
    assert done.exit_code == 1
    assert "first difference at " in done.stdout
    assert "recorded: " in done.stdout


def test_a_damaged_batch_is_named_and_the_report_tells_what_lies_before(
    run: tuple[Site, Night], tmp_path: Path
) -> None:
    _, night = run
    last = night.chunks[-1].number
    path = altered(night, tmp_path, "UPDATE chunk SET body = x'00' WHERE number = ?", last)
    done = call("replay", path)
    assert done.exit_code == 2
    assert f"batch {last} is damaged" in done.stderr
    told = call("report", path)
    assert told.exit_code == 1
    assert f"batch {last} is damaged" in told.stdout


def test_a_batch_that_is_gone_is_no_identical_night(
    run: tuple[Site, Night], tmp_path: Path
) -> None:
    _, night = run
    path = altered(night, tmp_path, "DELETE FROM chunk WHERE number = 3")
    done = call("replay", path)
    assert done.exit_code == 1
    assert "identical: today" not in done.stdout


def unborn(path: Path) -> None:
    """As kill -9 leaves it between the file's making and its first commit."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.close()


def test_a_part_that_was_being_made_when_the_run_died_costs_nothing(
    run: tuple[Site, Night], tmp_path: Path
) -> None:
    _, night = run
    first = altered(night, tmp_path, "PRAGMA user_version = 1")
    unborn(first.with_name(first.name.replace(".001.", ".002.")))
    assert Night(first).events == night.events
    assert call("replay", first).exit_code == 0
    # A later run that was only being made: the newest with anything in it is meant.
    unborn(tmp_path / "depot-yard.29991231-235959-1.001.journal")
    assert Night(first).paths == [first]
    assert call("show", tmp_path).exit_code == 0
    listed = call("list", tmp_path)
    assert listed.exit_code == 0
    assert "is empty: the run ended before its first batch" in listed.stderr


def test_what_is_no_journal_is_told_from_one(tmp_path: Path) -> None:
    text = tmp_path / "text.journal"
    text.write_text("no journal, whatever its name")
    foreign = tmp_path / "foreign.journal"
    with sqlite3.connect(foreign) as db:
        db.execute("CREATE TABLE mail (text)")
    db.close()
    cut = tmp_path / "cut.journal"
    cut.write_bytes(b"SQLite format 3\0" + bytes(50))
    empty = tmp_path / "empty.journal"
    empty.touch()
    for path, words in (
        (text, "is not a journal of this program"),
        (foreign, "is not a journal of this program"),
        (cut, "is damaged, or not a journal"),
        (empty, "is empty"),
        (tmp_path / "none.journal", "there is no such file"),
    ):
        for command in ("show", "report", "export", "replay"):
            done = call(command, path)
            assert done.exit_code == 2, (command, path)
            assert words in done.stderr
            assert str(path) in done.stderr
    assert call("show", tmp_path / "folder").exit_code == 2


def test_a_later_format_is_left_to_a_later_version(run: tuple[Site, Night], tmp_path: Path) -> None:
    path = altered(run[1], tmp_path, "PRAGMA user_version = 99")
    done = call("show", path)
    assert done.exit_code == 2
    assert "is of format 99" in done.stderr


def test_the_report_is_one_page_and_its_numbers_are_the_boards(
    run: tuple[Site, Night], tmp_path: Path
) -> None:
    made, night = run
    page = tmp_path / "night.html"
    done = call("report", night.paths[0], "--json", "--html", page)
    assert done.exit_code == 0, done.stderr
    data = json.loads(done.stdout)
    for coil in ("Larkspur", "Foxglove"):
        fired = len(made.boards.pulses[coil])
        assert data["coils"][coil]["counted_by_board"]["pulses"] == fired
        assert data["coils"][coil]["pulses"] == pytest.approx(fired, rel=0.02)
    (played,) = data["played"]
    assert (played["input"], played["notes"], played["lowest"], played["highest"]) == (
        "keys", 6, 45, 64,
    )  # fmt: skip
    (trip,) = data["trips"]
    assert "The operator pressed stop." in trip["what"]
    before = [b["what"] for b in trip["before"]]
    assert "hush, by terminal" in before
    assert all(-10.0 <= b["seconds"] <= 0.0 for b in trip["before"])
    html = page.read_text(encoding="utf-8")
    assert "Trips, and what came before" in html
    assert "src=" not in html
    assert "http" not in html.replace("http://www.w3.org", "")


def test_a_site_file_means_its_newest_run(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    text = (Path(__file__).resolve().parents[2] / "configs" / "bench.toml").read_text()
    site.write_text(text.replace("[site]", f'[site]\nstate_directory = "{tmp_path}"', 1))
    done = call("list", site)
    assert done.exit_code == 2
    assert "nothing has been recorded yet" in done.stderr
