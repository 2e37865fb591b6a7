"""The report second by second, reckoned again from --pulses: by numpy, and for energy and mains by
the closed forms of a lossless primary (tests/governor/mains_rig.py)."""

from __future__ import annotations

import csv
import json
import math
import re
from pathlib import Path
from typing import Any

import mido  # pyright: ignore[reportMissingTypeStubs]
import numpy as np
import pytest

from bridge.rehearse.chapters import chapters
from bridge.rehearse.command import run
from bridge.rehearse.over_time import MOST_STRETCHES
from bridge.rehearse.result import result_of
from bridge.rehearse.run import perform
from bridge.report.page import Table
from tests.governor.mains_rig import BUS_V, INDUCTANCE_UH, TANK, charge_as, two_coils
from tests.rehearse.test_account import score
from tests.rehearse.test_command import wanted
from tests.show.stage import midi_file

SECONDS = 14


def energy_j(on_us: float) -> float:
    """Of a bang with the usual arc, written anew: a series circuit driven at resonance by a square
    wave, whose current's envelope is V₁/R·(1 - e^(-t/τ)) with τ = 2L/R; E = ∫ V₁·envelope/2.
    Worked out from the circuit's equation, no source."""
    drive_v, ohm, on_s = 4 / math.pi * BUS_V, TANK["loaded_ohm"], on_us * 1e-6
    tau_s = 2 * INDUCTANCE_UH * 1e-6 / ohm
    return drive_v**2 / (2 * ohm) * (on_s - tau_s * (1 - math.exp(-on_s / tau_s)))


def a_piece(path: Path) -> Path:
    """Two channels, one a coil, growing and ebbing; 120 quarters a minute."""
    notes: list[mido.Message | mido.MetaMessage] = [
        mido.Message("program_change", channel=c, program=16, time=0) for c in (0, 1)
    ]
    for beat in range(2 * SECONDS):
        key, channel = 40 + 3 * (beat % 9), beat // 3 % 2
        loud = 40 + 5 * (beat % 17)
        notes += [
            mido.Message("note_on", channel=channel, note=key, velocity=loud, time=40),
            mido.Message("note_off", channel=channel, note=key, time=440),
        ]
    return midi_file(path, notes)


def told(tmp_path: Path, capsys: pytest.CaptureFixture[str], **mains: Any) -> tuple[Any, Any]:
    """The report as JSON, and the pulses' file: by coil, (second, on-time in µs) of each."""
    pulses = tmp_path / "pulses.csv"
    changes = {"as_json": True, "pulses": pulses, "html": tmp_path / "page.html"}
    run(two_coils(mains), wanted(a_piece(tmp_path / "piece.mid"), **changes))
    found: dict[str, list[tuple[int, float]]] = {"Larkspur": [], "Foxglove": []}
    with pulses.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            second = int(float(row["start_us"]) // 1e6)
            found[row["coil"]].append((second, float(row["on_time_us"])))
    return json.loads(capsys.readouterr().out), found


def test_every_second_is_what_the_pulses_say(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, pulses = told(tmp_path, capsys)
    seconds = len(data["bar_by_second"])
    assert seconds >= SECONDS
    # bars of 2 s; the site has no fixed delay
    assert data["bar_by_second"][:SECONDS] == [1 + s // 2 for s in range(SECONDS)]
    for name, found in pulses.items():
        assert len(found) > 300
        at = np.array([s for s, _ in found])
        on_us = np.array([on for _, on in found])
        count = np.bincount(at, minlength=seconds)
        assert data["break_rate_hz"][name] == count.tolist()
        assert np.count_nonzero(count) > SECONDS / 3
        duty = 100 * np.bincount(at, weights=on_us * 1e-6, minlength=seconds)
        assert data["duty_percent"][name] == pytest.approx(duty.tolist(), abs=1e-3)
        amperes = np.bincount(at, weights=[charge_as(on, 240.0) for on in on_us], minlength=seconds)
        told_a = np.array(data["mains_a"][name])
        lit = count > 0
        # never less, and what the program adds for a bang soon after another is no more than this
        assert np.all((told_a[lit] / amperes[lit] >= 1.0) & (told_a[lit] / amperes[lit] < 1.15))
        joules = np.bincount(at, weights=[energy_j(on) for on in on_us], minlength=seconds)
        told_j = np.array(data["energy_j"][name])
        assert told_j == pytest.approx(joules, rel=1e-3)
        assert (told_a[~lit].any(), told_j[~lit].any()) == (False, False)
        (coil,) = (c for c in data["coils"] if c["name"] == name)
        assert coil["energy_j"] == pytest.approx(told_j.sum())
        assert coil["most_mains_a"] == told_a.max()


def test_the_stretches_of_the_table_are_those_seconds() -> None:
    config = two_coils({})
    notes = [(2.0 * n, 1.5, 45 + n, 1 + n % 2, 100) for n in range(24)]
    result = result_of(perform(config, score(notes)), "tune.mid")
    _, parts = next(c for c in chapters(result, config, None) if c[0] == "Over time")
    (table,) = (part for part in parts if isinstance(part, Table))
    assert table.headings[2:4] == tuple(
        f"{n}: bangs in 1 s · duty %" for n in ("Larkspur", "Foxglove")
    )
    seconds = len(result.bar_by_second)
    step = math.ceil(seconds / MOST_STRETCHES)
    assert step == 2
    assert [int(row[1]) for row in table.rows] == list(range(0, seconds, step))
    assert [row[0] for row in table.rows[:3]] == ["1", "2", "3"]  # bars of 2 s
    for row, begin in zip(table.rows, range(0, seconds, step), strict=True):
        here = slice(begin, begin + step)
        for cell, coil in zip(row[2:4], ("Larkspur", "Foxglove"), strict=True):
            rate, duty = max(result.break_rate_hz[coil][here]), max(result.duty_percent[coil][here])
            assert cell == f"{rate:.0f} · {duty:.2f}"
        both = [sum(x) for x in zip(*(v[here] for v in result.mains_a.values()), strict=True)]
        energy = sum(sum(v[here]) for v in result.energy_j.values())
        assert row[4:] == (f"{energy / 1000:.2f}", f"{max(both):.1f}")


def test_each_line_of_the_mains_is_told_with_the_coils_that_it_feeds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """120/240 V split-phase, a coil on each line: their currents do not add."""
    config = two_coils({"system": "split", "breaker_a": 20.0})
    coils = [
        c.model_copy(update={"supply": c.supply.model_copy(update={"lines": (n,)})})
        for n, c in enumerate(config.coil, start=1)
        if c.supply is not None
    ]
    config = config.model_copy(update={"coil": tuple(coils)})
    page = tmp_path / "page.html"
    run(config, wanted(a_piece(tmp_path / "piece.mid"), as_json=True, html=page))
    data = json.loads(capsys.readouterr().out)
    assert [(x["number"], x["coils"]) for x in data["mains_lines"]] == [
        (1, ["Larkspur"]), (2, ["Foxglove"]),
    ]  # fmt: skip
    text = page.read_text(encoding="utf-8")
    for words in (
        "line 1 may be asked",
        "line 2 may be asked",
        "Energy of the bangs",
        "On-time in",
    ):
        assert words in text
    assert len(re.findall("<svg", text)) == 5
