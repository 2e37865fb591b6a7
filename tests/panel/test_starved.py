"""What lets a page test be told again: only a process that was kept from its processors."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from tests.panel import starved
from tests.panel.starved import LEAST_S, Waiting, unless_starved

pytestmark = pytest.mark.real
SPIN = "import os; os.sched_setaffinity(0, {int(os.sys.argv[1])})\nwhile True: pass"
SLEEP = "import time; time.sleep(60)"


@contextlib.contextmanager
def running(code: str, count: int) -> Iterator[list[int]]:
    processor = str(min(os.sched_getaffinity(0)))
    made = [subprocess.Popen([sys.executable, "-c", code, processor]) for _ in range(count)]
    try:
        time.sleep(0.3)  # started
        yield [one.pid for one in made]
    finally:
        for one in made:
            one.kill()
            one.wait()


@pytest.mark.parametrize(
    ("code", "starves"), [(SPIN, True), (SLEEP, False)], ids=["share one", "sleep"]
)
def test_two_on_one_processor_wait_for_it_and_two_that_sleep_do_not(
    code: str, starves: bool
) -> None:
    waiting = Waiting()
    with running(code, 2) as pids, waiting.watching(*pids):
        time.sleep(0.8)
    assert (waiting.worst_s > LEAST_S) is starves


@pytest.mark.parametrize(
    ("stood_still", "waited_s", "told"),
    [(True, 0.2, starved.TIMES), (True, 0.01, 1), (False, 0.2, 1)],
)
def test_a_story_is_told_again_only_for_a_stall_that_was_the_machines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stood_still: bool, waited_s: float, told: int
) -> None:
    monkeypatch.setattr(starved, "_stood_still", lambda folder: stood_still)  # pyright: ignore[reportUnknownArgumentType,reportUnknownLambdaType]
    monkeypatch.setattr(starved, "Waiting", lambda: SimpleNamespace(worst_s=waited_s, watching=0))
    times: list[Any] = []

    def fails(panel: Any) -> None:
        times.append(panel)
        raise AssertionError("planted")

    with pytest.raises(AssertionError, match="planted"):
        unless_starved(tmp_path, lambda folder: cast(Any, SimpleNamespace()), fails)
    assert len(times) == told
