"""What the documents say of tables and settings is what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bridge.cli import app
from bridge.config import load_config
from bridge.config_check import check_config
from bridge.interlock_tables import cause_table, transition_table

ROOT = Path(__file__).resolve().parents[1]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("table", [transition_table(), cause_table()], ids=["states", "causes"])
def test_the_interlocks_tables_are_printed_as_they_are(table: str) -> None:
    assert table in DEVELOPERS


def test_every_file_on_the_map_is_there() -> None:
    named = re.findall(r"(?<![\w/])((?:\w+/)*\w+\.(?:py|md|sh))", DEVELOPERS)
    assert len(named) > 30
    folders = [
        "",
        "bridge/",
        "bridge/link/",
        "bridge/music/",
        "bridge/governor/",
        "bridge/coil/",
        "bridge/report/",
        "tests/",
        "firmware_protocol/",
    ]
    for name in named:
        assert any((ROOT / f"{folder}{name}").exists() for folder in folders), name


def test_every_command_is_in_the_readme_and_the_other_way_round() -> None:
    commands = {str(c.name or c.callback.__name__) for c in app.registered_commands if c.callback}
    assert commands == set(re.findall(r"\| `coilwarden (\w+)", README))


@pytest.mark.parametrize("file", sorted((ROOT / "configs").glob("*.toml")), ids=lambda f: f.name)
def test_every_shipped_site_is_accepted(file: Path) -> None:
    check_config(load_config(file), str(file))


def test_the_top_level_holds_what_it_should() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "bridge",
               "firmware_protocol", "configs", "tests"}  # fmt: skip
    made = {"build", "dist", "coilwarden.egg-info", "__pycache__"}
    assert {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - made == allowed
