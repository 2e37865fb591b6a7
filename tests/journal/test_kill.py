"""kill -9 at random moments, fifty times: what was there opens clean, and is whole.

What must be there is told by the events' own stamps: everything older, when the program died, than
the batch interval and the time the thread may have needed for a batch on a busy machine.
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.journal.files import journals
from bridge.journal.night import Night
from bridge.journal.reading import UnbornError
from bridge.journal.values import Noted
from bridge.journal.writer import BATCH_S
from tests.journal.kill_story import KILLS

ROOT = Path(__file__).resolve().parents[2]
BUSY_S = 0.5
"""For a batch, on a machine that does a dozen other things."""


@pytest.mark.real
def test_kill_9_at_random_moments_loses_nothing_older_than_a_batch(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.journal.kill_story", str(tmp_path)]
    done = subprocess.run(
        command, check=True, stdout=subprocess.PIPE, text=True, cwd=ROOT, timeout=120
    )
    deaths = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(deaths) == KILLS
    lost_s: list[float] = []
    for death in deaths:
        assert death["killed"], death
        found = journals(Path(death["folder"]))
        if not found:  # before there was a file
            assert death["last"] < 2000
            continue
        db = sqlite3.connect(found[0])
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        db.close()
        try:
            notes = [e for e in Night(found[0]).read() if isinstance(e, Noted)]
        except UnbornError:  # while it was being made
            notes = []
        numbers = [int(n.text.split()[0]) for n in notes]
        assert numbers == list(range(len(numbers)))  # whole, in order, nothing twice
        assert len(numbers) - 1 <= death["last"] + 1
        newest_s = notes[-1].at_s if notes else 0.0
        if notes:
            lost_s.append(death["last_s"] - newest_s)
            assert lost_s[-1] <= BATCH_S + BUSY_S
    assert len(lost_s) > KILLS // 2
    print(f"newest kept event before death: worst {max(lost_s) * 1000:.0f} ms")
