"""Real scores, none of ours: MIDI files that the music21 package carries, rehearsed whole.

Their pulses are counted again from --pulses, and judged by the independent checker. The long ones
are rehearsed by whole_scores.py: minutes, so not in every run.
"""

from __future__ import annotations

import csv
import importlib.util
import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from bridge.cli import app
from bridge.config import Config, load_config
from tests.pulse_checker import check_pulses

ROOT = Path(__file__).resolve().parents[2]
FLOAT_US = 0.11
"""The file's times are rounded to 0.1 µs."""


def music21_folder() -> Path:
    found = importlib.util.find_spec("music21")  # found, not imported: that takes seconds
    assert found is not None, "music21 is not installed"
    assert found.origin is not None
    return Path(found.origin).parent


def _rehearsed(site: str, score: Path, pulses: Path) -> tuple[Config, dict[str, Any], int]:
    config = ROOT / "configs" / site
    args = ["rehearse", str(config), str(score), "--json", "--pulses", str(pulses), "--no-suggest"]
    result = CliRunner().invoke(app, args)
    assert result.exit_code in (0, 1), result.output
    return load_config(config), json.loads(result.stdout), result.exit_code


def judge(site: str, name: str, tmp_path: Path) -> None:
    pulses = tmp_path / "pulses.csv"
    config, told, code = _rehearsed(site, music21_folder() / name, pulses)
    with pulses.open(newline="", encoding="utf-8") as file:
        found = list(csv.DictReader(file))
    rows = [(r["coil"], float(r["start_us"]), float(r["on_time_us"])) for r in found]
    counted = Counter(coil for coil, _, _ in rows)
    coils = told["coils"]
    assert {c["name"]: c["bangs"] for c in coils} == {c.name: counted[c.name] for c in config.coil}
    assert sum(counted.values()) > 100
    assert sum(c["asked"] for c in coils) >= sum(c["sounded"] for c in coils) > 0
    assert all(c["asked"] == c["sounded"] + c["dropped"] for c in coils)
    assert all(c["guard_refusals"] == 0 for c in coils)
    lost = any(c["dropped"] or c["shortened"] or c["quietened"] for c in coils)
    nowhere = any(c["nowhere"] for c in told["channels"])
    assert (code == 1) == (lost or nowhere)
    for coil in config.coil:
        broken = check_pulses(
            [(s, on) for name, s, on in rows if name == coil.name],
            max_on_us=coil.max_on_time_us + FLOAT_US,
            min_off_us=coil.min_off_time_us - 2 * FLOAT_US,
            max_starts_1s=coil.max_break_rate_hz,
            windows=[
                (w.window_ms * 1000, w.window_ms * 10 * w.max_percent * 1.0001)
                for w in coil.duty_windows
            ],
        )
        assert not broken, (name, coil.name, broken)


@pytest.mark.parametrize("site", ["lantern-night.toml", "bench.toml"])
@pytest.mark.parametrize(
    "name",
    [
        "omr/k525short.mid",
        "midi/testPrimitive/test02.mid",
        "midi/testPrimitive/test06.mid",
        "midi/testPrimitive/test19.mid",
    ],
)
def test_a_real_score_whole(site: str, name: str, tmp_path: Path) -> None:
    judge(site, name, tmp_path)
