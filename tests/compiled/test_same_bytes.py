"""Compiled by the command itself, and rehearsed beside the sources: the same bytes come out."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.compiled import cache
from tests.rehearse.bench import demo_file
from tests.rehearse.test_real_scores import ROOT, music21_folder

pytestmark = pytest.mark.long

# Says on the way out which form has run.
RUN = """
import sys
from bridge.__main__ import main
try:
    main()
finally:
    print(sys.modules["bridge.governor.governor"].__file__, file=sys.stderr)
"""


def run(folder: Path, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", RUN, *(str(a) for a in arguments)],
        env=os.environ | {"XDG_CACHE_HOME": str(folder)},
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cache")
    done = run(folder, "accelerate")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Rehearsals run compiled from now on" in done.stdout
    return folder


@pytest.mark.parametrize("site", ["lantern-night.toml", "bench.toml"])
@pytest.mark.parametrize("name", ["demo", "omr/k525short.mid", "midi/testPrimitive/test19.mid"])
def test_compiled_or_not_the_same_bytes(
    site: str, name: str, compiled: Path, tmp_path: Path
) -> None:
    score = tmp_path / "demo.mid" if name == "demo" else music21_folder() / name
    if name == "demo":
        demo_file(score, 15.0)
    told: list[tuple[int, str, bytes]] = []
    for folder in (compiled, tmp_path / "none"):
        pulses = tmp_path / "pulses.csv"
        done = run(folder, "rehearse", ROOT / "configs" / site, score, "--json", "--pulses", pulses)
        assert done.returncode in (0, 1), done.stderr
        (ran,) = done.stderr.splitlines()
        assert ran.startswith(str(folder)) == (folder == compiled)
        told.append((done.returncode, done.stdout, pulses.read_bytes()))
    assert told[0] == told[1]
    assert len(told[0][2]) > 10_000


@pytest.mark.parametrize("command", ["serve", "demo", "show"])
def test_what_plays_live_runs_the_sources_all_the_same(command: str, compiled: Path) -> None:
    done = run(compiled, command, "--help")
    assert done.returncode == 0
    assert done.stderr.splitlines() == [str(ROOT / "bridge/governor/governor.py")]


def test_nothing_is_compiled_twice_and_nothing_lies_in_the_tree(compiled: Path) -> None:
    done = run(compiled, "accelerate")
    assert "is there already" in done.stdout
    for package in cache.PACKAGES:
        assert not [*(ROOT / package).rglob("*.so"), *(ROOT / package).rglob("*.pyd")]
