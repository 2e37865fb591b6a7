"""Compiled by the command itself, and rehearsed beside the sources: the same bytes come out."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.compiled import cache
from tests.rehearse.bench import demo_file
from tests.rehearse.test_real_scores import ROOT, music21_folder

SITES = ("lantern-night.toml", "bench.toml")

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


@pytest.mark.long
def test_compiled_or_not_the_same_bytes(tmp_path: Path) -> None:
    """One test of it all, for compiling takes most of a minute."""
    compiled = tmp_path / "cache"
    done = run(compiled, "accelerate")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Rehearsals run compiled from now on" in done.stdout
    for site, score in itertools.product(SITES, scores(tmp_path)):
        told: list[tuple[int, str, bytes]] = []
        for folder in (compiled, tmp_path / "none"):
            site_file, pulses = ROOT / "configs" / site, tmp_path / "pulses.csv"
            done = run(folder, "rehearse", site_file, score, "--json", "--pulses", pulses)
            assert done.returncode in (0, 1), done.stderr
            (ran,) = done.stderr.splitlines()
            assert ran.startswith(str(folder)) == (folder == compiled)
            told.append((done.returncode, done.stdout, pulses.read_bytes()))
        assert told[0] == told[1], (site, score)
        assert len(told[0][2]) > 10_000
    for command in ("serve", "demo", "show"):  # what plays live runs the sources all the same
        done = run(compiled, command, "--help")
        assert done.returncode == 0
        assert done.stderr.splitlines() == [str(ROOT / "bridge/governor/governor.py")]
    assert "is there already" in run(compiled, "accelerate").stdout
    for module in cache.MODULES:  # and nothing compiled lies beside a source
        assert not (ROOT / cache.file_of(module)).exists()


def scores(folder: Path) -> list[Path]:
    demo_file(folder / "demo.mid", 15.0)
    short = ("omr/k525short.mid", "midi/testPrimitive/test19.mid")
    return [folder / "demo.mid", *(music21_folder() / name for name in short)]
