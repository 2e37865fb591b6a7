"""The commands coil and site: terminal, JSON and page say the same numbers, and defer."""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner

from bridge.cli import app
from bridge.coil.spark import arc_length_m
from bridge.report.page import Note, Table, page
from bridge.report.show import number
from bridge.report.site_report import site_report
from bridge.site.cautions import CAUTIONS, GUIDANCE
from tests.site_text import changed, site
from tests.test_config_power import ANCHOR, AUDIENCE, MAINS, SITE_ANCHOR, SUPPLY, TANK
from tests.test_timeline import FAR

run = CliRunner()


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "depot.toml"
    audience = AUDIENCE + "measured_level_db = 118\nmeasured_at_m = 2\nset_minutes = 15\n"
    path.write_text(
        changed((ANCHOR, ANCHOR + TANK + SUPPLY), (SITE_ANCHOR, SITE_ANCHOR + MAINS + audience)),
        encoding="utf-8",
    )
    return path


def told(*arguments: str) -> Any:
    found = run.invoke(app, [*arguments, "--json"])
    assert found.exit_code == 0, found.output
    return json.loads(found.stdout)


def test_coil_as_json(site_file: Path) -> None:
    data = told("coil", str(site_file))
    assert data["guidance"] == GUIDANCE
    larkspur, foxglove = data["coils"]
    assert larkspur["inductance_uh"] == pytest.approx(12.3, abs=0.02)
    assert larkspur["current_allowed_a"] == pytest.approx(8100)
    assert len(larkspur["bangs"]) == 8
    for row in larkspur["bangs"]:
        assert row["expected_a"] < row["unloaded_a"] < row["worst_a"]
        assert row["expected_j"] < row["worst_j"]
    worst = larkspur["bangs"][-1]["worst_a"]
    assert {c["name"] for c in larkspur["cases"]} == {
        "no breakout", "with the usual arc", "secondary tuned low", "secondary tuned high",
        "struck to ground",
    }  # fmt: skip
    assert all(c["peak_current_a"] <= worst for c in larkspur["cases"])
    for row in larkspur["rates"]:
        assert row["governed_us"] <= row["lawful_us"]
    assert foxglove["bangs"] == []
    assert "no [coil.tank]" in foxglove["unprotected"][0]


def test_coil_on_a_terminal_and_as_a_page(site_file: Path, tmp_path: Path) -> None:
    html = tmp_path / "coils.html"
    found = run.invoke(app, ["coil", str(site_file), "--html", str(html)])
    assert found.exit_code == 0, found.output
    flat = " ".join(found.output.split())
    assert "Local codes, licensed practice" in flat
    assert "not protected: no [coil.tank]" in flat
    text = html.read_text(encoding="utf-8")
    self_contained(text)
    assert text.count("<svg") == 1  # one coil's tank is known
    for words in ("peak primary current, A", "energy of a bang, J", "break rate, Hz",
                  "longest on-time, µs"):  # fmt: skip
        assert words in text


def self_contained(text: str) -> None:
    assert text.startswith("<!doctype html>")
    assert "<script" not in text
    # Nothing is fetched: no address but the names of XML's own spaces.
    assert not re.findall(r"""(?:src|href)\s*=\s*["'](?!#)""", text)
    assert "@import" not in text
    assert not re.findall(r"url\((?!#)", text)
    for svg in re.findall(r"<svg.*?</svg>", text, flags=re.DOTALL):
        ElementTree.fromstring(svg)


def test_site_as_json(site_file: Path) -> None:
    data = told("site", str(site_file))
    assert data["guidance"] == GUIDANCE
    assert data["cautions"] == [list(pair) for pair in CAUTIONS]
    assert data["mains_budget_a"] == pytest.approx(40.0)  # NEC: 80 % of 50 A
    assert data["mains_steady_a"] <= 40.0
    operator, audience = data["places"]
    # 118 dB at 2 m is 98 dB at 20 m; NIOSH 98-126: T = 8 h/2^(13/3) = 23.8 min, 15 min → 63 %
    assert audience["loudest_db"] == pytest.approx(98.0)
    assert audience["dose"]["niosh_percent"] == pytest.approx(63.0, abs=0.5)
    assert operator["dose"]["niosh_percent"] > audience["dose"]["niosh_percent"]
    larkspur = data["zones"][0]
    assert larkspur["acoustic_delay_ms"] == pytest.approx(1000 * 24 / 332.5, abs=0.1)
    assert larkspur["keep_out_m"] == pytest.approx(1.5 * larkspur["arc_m"])
    (row,) = data["coils_on_mains"]
    assert row["coil"] == "Larkspur"
    assert any("does not count Foxglove" in line for line in data["unprotected"])


@pytest.mark.parametrize(
    ("loudspeaker_m", "earlier_m"),
    [(None, (0, 5)), (18, (6, 11)), (24, (0, 5)), (60, (0, 5))],
)
def test_a_coil_farther_away_fires_earlier_than_what_sounds_last(
    loudspeaker_m: float | None, earlier_m: tuple[float, float]
) -> None:
    """24 and 29 m away. Nearer loudspeakers sound last; else the nearer coil does."""
    loudspeaker = "" if loudspeaker_m is None else f"loudspeaker_distance_m = {loudspeaker_m}\n"
    config = site(("loudspeaker_distance_m = 18\n", loudspeaker), FAR)
    earlier_ms = [zone.fires_earlier_ms for zone in site_report(config).zones]
    speed = 331.3 * math.sqrt(1 + 2 / 273.15)  # the site's 2 °C, handbook formula
    assert earlier_ms == pytest.approx([1000 * m / speed for m in earlier_m], abs=1e-9)


def test_the_dose_of_the_very_set(site_file: Path, tmp_path: Path) -> None:
    def doses(rows: list[str]) -> tuple[float, float]:
        played = tmp_path / "set.csv"
        played.write_text("\n".join(["coil,start_us,on_time_us", *rows]), encoding="utf-8")
        data = told("site", str(site_file), "--set", str(played))
        assert "second by second" in data["dose_of"]
        audience = data["places"][1]
        return audience["dose"]["niosh_percent"], data["zones"][0]["keep_out_m"]

    quiet, near = doses([f"Larkspur,{n * 200_000},60" for n in range(300)])  # 5 Hz drums
    loud, far = doses([f"Larkspur,{n * 5_000},150" for n in range(12_000)])  # 200 Hz, a minute
    assert loud > 20 * max(quiet, 0.01)
    assert near == far  # the distance knows nothing of what is played


def test_without_a_set_the_dose_says_what_it_assumes(site_file: Path) -> None:
    data = told("site", str(site_file))
    assert data["dose_of"] == (
        "an assumed set, none was given (--set): 15 min (site.audience.set_minutes) without a "
        "pause at the highest power the limits allow"
    )
    assert data["places"][0]["dose"]["seconds"] == 15 * 60


def test_the_mains_of_several_lines_are_told_line_by_line(site_file: Path) -> None:
    text = site_file.read_text(encoding="utf-8")
    text = text.replace("voltage_v = 240\n", 'system = "three"\nvoltage_v = 400\n')
    one_line = text.replace("bus_voltage_v = 650\n",
                            "bus_voltage_v = 650\nlines = [2]\nprecharge_ohm = 1\n")  # fmt: skip
    drawn: list[float] = []
    for written in (text, one_line):
        site_file.write_text(written, encoding="utf-8")
        (row,) = told("site", str(site_file))["coils_on_mains"]
        drawn.append(row["most_a"])
    # P = √3·V·I against P = V/√3·I (textbook)
    assert drawn[1] == pytest.approx(3 * drawn[0], rel=1e-6)
    assert row["lines"] == [2]
    # 400/√3 V, 10 % high, through 1 Ω; C begins at 5·50 A
    assert row["inrush"]["first_a"] == pytest.approx(254, abs=0.1)
    flat = " ".join(run.invoke(app, ["site", str(site_file)], terminal_width=200).output.split())
    assert "Three-phase, 400 V" in flat
    assert "may trip" in flat
    assert "load the neutral as well: up to 40.0 A" in flat


def test_site_as_a_page(site_file: Path, tmp_path: Path) -> None:
    html = tmp_path / "site.html"
    found = run.invoke(app, ["site", str(site_file), "--html", str(html)])
    assert found.exit_code == 0, found.output
    text = html.read_text(encoding="utf-8")
    self_contained(text)
    assert "trips after, s" in text
    for _, caution in CAUTIONS:
        assert caution.split(":")[0].replace("'", "&#x27;") in text


def test_a_site_that_tells_nothing_still_gets_its_cautions(tmp_path: Path) -> None:
    path = tmp_path / "depot.toml"
    path.write_text(changed(), encoding="utf-8")
    data = told("site", str(path))
    assert data["places"] == []
    assert data["mains_budget_a"] is None
    assert data["zones"][0]["arc_m"] == 3.0
    assert len(data["cautions"]) == len(CAUTIONS)
    for coil in told("coil", str(path))["coils"]:
        assert coil["bangs"] == []
        assert coil["unprotected"]


READINGS = "on_time_us,peak_current_a,breakout\n30,{0},{3}\n60,{1},{3}\n90,{2},{3}\n"


def test_fit_with_and_without_the_site(site_file: Path, tmp_path: Path) -> None:
    readings = tmp_path / "readings.csv"
    # 827.6 V on 12.3 µH and 0.249 Ω (the worked primary): 868, 1509, 1985 A
    readings.write_text(READINGS.format(868, 1509, 1985, "yes"), encoding="utf-8")
    bare = told("coil", "--fit", str(readings), "--bus-voltage", "650")
    assert bare["inductance_uh"] == pytest.approx(12.3, rel=0.02)
    assert bare["resistance_ohm"] == pytest.approx(0.249, rel=0.1)
    assert bare["longest_on_time_us"] is None
    whole = told("coil", str(site_file), "--name", "Larkspur", "--fit", str(readings))
    assert whole["with_arc"] is True
    assert whole["least_resistance_ohm"] == 0.0
    assert whole["longest_on_time_us"] == 90.0  # nothing beyond what was measured
    assert "longest on-time measured" in whole["longest_on_time_reason"]
    found = run.invoke(app, ["coil", "--fit", str(readings), "--bus-voltage", "650"])
    assert "hides how far the same pulse goes without one" in " ".join(found.output.split())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "give a site file"),
        (["--fit", "READINGS"], "the bus voltage is needed"),
        (["SITE", "--fit", "READINGS"], "whose readings are they"),
        (["--fit", "/nowhere.csv", "--bus-voltage", "650"], "No such file"),
        (["SITE", "--html", "/nowhere/x.html"], "No such file"),
        (["--fit", "SHORT", "--bus-voltage", "650"], "at least 3 different"),
        (["--fit", "BINARY", "--bus-voltage", "650"], "binary.csv: this is no CSV text"),
    ],
)
def test_wrong_input_is_told_and_exits_2(
    site_file: Path, tmp_path: Path, arguments: list[str], said: str
) -> None:
    readings, short = tmp_path / "readings.csv", tmp_path / "short.csv"
    readings.write_text(READINGS.format(868, 1509, 1985, "no"), encoding="utf-8")
    short.write_text("on_time_us,peak_current_a\n10,100\n", encoding="utf-8")
    binary = tmp_path / "binary.csv"
    binary.write_bytes(b"\x89PNG\r\n\x00")
    names = {"SITE": str(site_file), "READINGS": str(readings), "SHORT": str(short)}
    names["BINARY"] = str(binary)
    found = run.invoke(app, ["coil", *(names.get(a, a) for a in arguments)])
    assert found.exit_code == 2
    assert said in found.stderr


def test_a_site_that_could_not_be_played_is_reported_all_the_same(site_file: Path) -> None:
    text = site_file.read_text(encoding="utf-8").replace("current_limit_a = 9000",
                                                         "current_limit_a = 3600")  # fmt: skip
    site_file.write_text(text, encoding="utf-8")
    found = run.invoke(app, ["coil", str(site_file), "--json"])
    assert found.exit_code == 0
    assert "to put right before it can be played" in found.stderr
    assert json.loads(found.stdout)["coils"][0]["longest_bang_us"] < 180
    serve = [sys.executable, "-m", "bridge", "serve", str(site_file), "--plain"]
    assert subprocess.run(serve, capture_output=True, check=False, timeout=60).returncode == 2


def test_the_page_escapes_what_it_prints() -> None:
    text = page("<b>", [("<i>", [Note("<u>"), "<s>", Table(("<em>",), [("<p>&",)])])])
    for tag in ("<b>", "<i>", "<u>", "<s>", "<em>", "<p>&<"):
        assert tag not in text


def test_numbers_for_tables() -> None:
    assert number(None) == "–"
    assert number(float("inf")) == "–"
    assert number(3.14159, 2) == "3.14"
    assert arc_length_m(0) == 0
