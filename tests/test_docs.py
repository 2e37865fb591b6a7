"""What the documents say of tables and settings is what the code does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from bridge.cli import app
from bridge.config import Config, Section, load_config, parse_config
from bridge.config_check import check_config
from bridge.interlock_tables import cause_table, transition_table
from bridge.version import VERSION

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
        "bridge/stops/",
        "bridge/telemetry/",
        "bridge/show/",
        "bridge/panel/",
        "bridge/journal/",
        "bridge/rehearse/",
        "bridge/compiled/",
        "bridge/sound/",
        "tests/",
        "firmware_protocol/",
    ]
    for name in named:
        assert any((ROOT / f"{folder}{name}").exists() for folder in folders), name


def test_every_file_of_the_daemon_is_on_the_map() -> None:
    """By its name; folders but link/ stand as a whole, and the commands by theirs."""
    commands = {str(c.callback.__name__) for c in app.registered_commands if c.callback}
    for file in (ROOT / "bridge").glob("*.py"):
        if file.stem in {"__init__", "__main__"} | commands:
            continue
        assert re.search(rf"(?<![\w/]){file.name}", DEVELOPERS), file.name


def test_every_command_is_in_the_readme_and_the_other_way_round() -> None:
    commands = {str(c.name or c.callback.__name__) for c in app.registered_commands if c.callback}
    commands |= {str(g.typer_instance.info.name) for g in app.registered_groups if g.typer_instance}
    assert commands == set(re.findall(r"\| `coilwarden ([\w-]+)", README))


@pytest.mark.parametrize("file", sorted((ROOT / "configs").glob("*.toml")), ids=lambda f: f.name)
def test_every_shipped_site_is_accepted(file: Path) -> None:
    check_config(load_config(file), str(file))


LANTERN = ROOT / "configs" / "lantern-night.toml"


def test_the_rarer_keys_of_the_show_site_have_the_defaults_they_say() -> None:
    text = LANTERN.read_text(encoding="utf-8")
    uncommented, count = re.subn(r"(?m)^#(?=[a-z\[])", "", text)
    assert count > 15
    with_defaults = parse_config(uncommented, "lantern night, uncommented")
    assert with_defaults.model_dump() == load_config(LANTERN).model_dump()


def test_the_show_site_names_every_key_there_is() -> None:
    text = LANTERN.read_text(encoding="utf-8")
    sections: list[type[Section]] = [Config]
    while sections:
        for name, field in sections.pop().model_fields.items():
            assert re.search(rf"\b{name}\b", text), name
            inner = [field.annotation, *getattr(field.annotation, "__args__", ())]
            sections += [t for t in inner if isinstance(t, type) and issubclass(t, Section)]


def test_the_version_is_the_packages() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == VERSION


@pytest.mark.parametrize("word", ["journal", "log", "wiring page"])
def test_no_remedy_sends_the_operator_to_what_is_not_there(word: str) -> None:
    assert not re.search(rf"\b{word}\b", cause_table())


def test_the_top_level_holds_what_it_should() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "bridge",
               "firmware_protocol", "configs", "tests"}  # fmt: skip
    made = {"build", "dist", "coilwarden.egg-info", "__pycache__"}
    assert {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - made == allowed
