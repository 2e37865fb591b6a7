"""The writer: bounded, rotated, and honest about what it could not keep."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

import bridge.journal.writer as writer_module
from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.journal.codec import pack_note
from bridge.journal.files import journals, make_room, part_path, run_of, size_bytes
from bridge.journal.night import Night
from bridge.journal.values import Missing, Noted
from bridge.journal.writer import Writer

RUN = "site.20260101-000000-1"


def until(probe: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + 20
    while not probe():
        assert time.monotonic() < deadline, what
        time.sleep(0.005)


def writer(folder: Path, most_bytes: int = 100_000_000) -> Writer:
    about = {
        "run": RUN, "began_s": repr(host_now()), "began_day_s": repr(time.time()),
        "config_used": "", "latch": "", "source": "",
    }  # fmt: skip
    return Writer(folder, "site", RUN, most_bytes, lambda: about)


def put(to: Writer, text: str) -> None:
    at_s = host_now()
    to.put(at_s, pack_note(Noted(at_s, "t", text)))


def texts(folder: Path) -> list[str]:
    night = Night(journals(folder)[0])
    assert night.gaps == []
    return [e.text for e in night.read() if isinstance(e, Noted)]


def test_what_was_put_before_closing_is_there(tmp_path: Path) -> None:
    made = writer(tmp_path)
    made.start()
    for number in range(12_000):  # more than one batch
        put(made, str(number))
    made.close()
    assert texts(tmp_path) == [str(n) for n in range(12_000)]
    assert made.state.lost == 0


def test_a_queue_that_is_full_counts_and_says_where(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "MOST_WAITING", 10)
    made = writer(tmp_path)  # not started: the disk is as slow as can be
    for number in range(25):
        put(made, str(number))
    assert made.state.lost == 15
    made.start()
    until(lambda: made.state.recording, "it records")
    until(lambda: not made._waiting, "it has written")
    put(made, "after")
    made.close()
    events = list(Night(journals(tmp_path)[0]).read())
    assert [e.text for e in events if isinstance(e, Noted)] == [*map(str, range(10)), "after"]
    gaps = [(n, e) for n, e in enumerate(events) if isinstance(e, Missing)]
    assert [(n, e.lost) for n, e in gaps] == [(10, 15)]
    assert gaps[0][1].since_s <= gaps[0][1].at_s


def test_a_folder_that_is_not_to_be_had_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "AGAIN_S", 0.02)
    folder = tmp_path / "disk"
    folder.write_text("a file where the folder should be")
    made = writer(folder)
    made.start()
    put(made, "kept")
    until(lambda: bool(made.state.problem), "it says so")
    assert not made.state.recording
    folder.unlink()
    until(lambda: made.state.recording, "it records")
    made.close()
    assert texts(folder) == ["kept"]


def test_a_record_that_cannot_be_packed_is_counted_and_keeps_no_other_back(tmp_path: Path) -> None:
    made = writer(tmp_path)
    put(made, "before")
    made.put(HostS(1.0), object())  # type: ignore[arg-type]
    put(made, "after")
    made.start()
    made.close()
    assert texts(tmp_path) == ["before", "after"]
    assert made.state.lost == 1  # never silently
    assert [e.lost for e in Night(journals(tmp_path)[0]).read() if isinstance(e, Missing)] == [1]


def test_the_oldest_goes_first_and_the_present_run_stays_within_its_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "ROOM_S", 0.0)
    most = 800_000
    made = writer(tmp_path, most)
    made.start()
    for number in range(150):
        put(made, f"{number} {os.urandom(6000).hex()}")  # does not compress below its half
        if number % 10 == 9:
            made.hurry()
            until(lambda: not made._waiting, "it has written")
    made.close()
    left = journals(tmp_path)
    assert len(left) > 2
    assert sum(size_bytes(p) for p in left) <= most * 1.3
    assert not part_path(tmp_path, RUN, 1).exists()
    night = Night(left[0])
    assert not night.from_the_start
    kept = [int(e.text.split()[0]) for e in night.read() if isinstance(e, Noted)]
    assert kept == list(range(kept[0], 150))  # the end is whole


def test_room_is_made_of_the_sites_own_journals_alone(tmp_path: Path) -> None:
    other = tmp_path / "other.20250101-000000-1.001.journal"
    foreign = tmp_path / "letters.journal"
    old, new = (tmp_path / f"site.2026010{n}-000000-1.001.journal" for n in (1, 2))
    for path in (other, foreign, old, new):
        path.write_bytes(bytes(1000))
    wal = old.with_name(old.name + "-wal")
    wal.write_bytes(bytes(500))
    assert make_room(tmp_path, "site", 1200, keep=[]) == [old]
    assert not wal.exists()
    assert make_room(tmp_path, "site", 10, keep=[new]) == []
    assert other.exists()
    assert foreign.exists()
    assert run_of(foreign) is None
