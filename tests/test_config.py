"""The configuration: what is shipped loads, and every slip is told with file, key and value."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from bridge.config import Config, load_config
from bridge.config_check import check_config, config_problems
from bridge.config_errors import ConfigError
from tests.site_text import SITE, changed, site, told

CONFIGS = Path(__file__).parent.parent / "configs"


@pytest.mark.parametrize("name", ["bench.toml", "lantern-night.toml"])
def test_the_shipped_sites_load_and_can_be_used(name: str) -> None:
    path = CONFIGS / name
    config = load_config(path)
    check_config(config, str(path))
    assert {c.name for c in config.coil} == {"Larkspur", "Foxglove"}


def test_every_shipped_file_is_tested_above() -> None:
    assert {p.name for p in CONFIGS.glob("*.toml")} == {"bench.toml", "lantern-night.toml"}


def test_the_text_of_these_tests_is_lawful() -> None:
    assert config_problems(site()) == []


@pytest.mark.parametrize(
    ("old", "path", "known"),
    [
        ("[site]\n", "site.colour", "air_temperature_c, audience, idle_disarm_s"),
        ("[[controller]]\n", "controller[1].colour", "baud, board_id, link_jitter_ms"),
        ("[controller.simulated]\n", "controller[2].simulated.colour", "clock_error_ppm"),
        ("[[coil]]\n", "coil[1].colour", "controller, distance_to_audience_m, duty_windows"),
        ("[[input]]\n", "input[1].colour", "delay_ms, max_note_s, name, on_loss"),
        ("[journal]\n", "journal.colour", "directory, enabled, max_mb"),
        ("[music]\n", "music.colour", "a4_hz, bend_range_semitones"),
        ("[[music.routes]]\n", "music.routes[1].colour", "channels, coils, deal"),
        ("duty_windows = [{ ", "coil[1].duty_windows[1].colour", "max_percent, window_ms"),
        ("on_time_curve = [\n    { ", "coil[1].on_time_curve[1].colour", "break_rate_hz, max_on"),
        ("notes = { ", "coil[1].notes.colour", "highest, lowest, outside"),
        ("soft_start = { ", "coil[1].soft_start.colour", "after_silence_ms, bangs"),
        ("stealing = { ", "music.stealing.colour", "age_per_s, inner, pedalled"),
    ],
)
def test_an_unknown_key_is_refused_at_every_level(old: str, path: str, known: str) -> None:
    separator = "\n" if old.endswith("]\n") else ", "
    message = told(changed((old, f"{old}colour = 1{separator}")))
    (line,) = message.splitlines()[1:]
    assert line.strip().startswith(path)
    assert f": unknown key; allowed here: {known}" in line


def test_an_unknown_section_is_refused() -> None:
    message = told(SITE + "\n[lights]\ncolour = 1\n")
    known = "coil, controller, dead_man, input, journal, mqtt, music, panel, site, stop"
    assert f"lights: unknown key; allowed here: {known}" in message


@pytest.mark.parametrize(
    ("swap", "line"),
    [
        (('name = "Depot"\n', ""), "site.name: missing; this key is required"),
        (('name = "Larkspur"\n', ""), "coil[1].name: missing; this key is required"),
        (
            ("min_off_time_us = 500\n", ""),
            'coil[1].min_off_time_us (of "Larkspur"): missing; this key is required',
        ),
    ],
)
def test_a_missing_key_is_named(swap: tuple[str, str], line: str) -> None:
    assert line in told(changed(swap))


def test_a_file_without_sections_names_what_it_needs() -> None:
    message = told("")
    assert message.startswith("depot.toml: 3 things to put right:")
    for section in ("site", "controller", "coil"):
        assert f"{section}: missing; this key is required" in message


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (changed(("[site]", "[[site]]")), "site: must be a table of keys"),
        (changed(("stealing = { released = 8, age_per_s = 0.5 }", "stealing = 3")), "(found 3)"),
        ("controller = 3\n" + SITE.replace("[[controller]]", "[x]", 1), "not valid TOML"),
        ('[coil]\nname = "Larkspur"\n', "coil: must be a list: write [[coil]]"),
        ("coil = []\n", "coil: must have at least 1 item"),
        (changed(("channels = [1, 2]", "channels = 1")), "must be a list […] (found 1)"),
    ],
)
def test_a_wrong_shape_is_told_in_toml_words(text: str, line: str) -> None:
    assert line in told(text)


def test_all_slips_are_told_at_once() -> None:
    message = told(changed(("output = 1", "output = 9"), ("a4_hz = 440.0", "a4_hz = 1")))
    assert message.startswith("depot.toml: 2 things to put right:")
    assert "coil[1].output" in message
    assert "music.a4_hz" in message


@pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
@pytest.mark.parametrize(
    "key", ["min_on_time_us = 55", "min_off_time_us = 500", "a4_hz = 440.0", "delay_ms = 60"]
)
def test_no_number_may_be_without_value_or_end(key: str, value: str) -> None:
    name = key.split(" = ", maxsplit=1)[0]
    assert name in told(changed((key, f"{name} = {value}")))


def test_every_float_of_every_section_is_bounded_on_both_sides() -> None:
    """So that no key takes nan or infinity: comparisons with a bound refuse both."""

    def walk(model: type[BaseModel], where: str) -> list[str]:
        loose: list[str] = []
        for name, field in model.model_fields.items():
            parts: tuple[Any, ...] = (field.annotation, *get_args(field.annotation))
            for part in parts:
                if isinstance(part, type) and issubclass(part, BaseModel):
                    loose += walk(part, f"{where}.{name}")
            if float in parts:
                kinds = {type(m).__name__ for m in field.metadata}
                if not (kinds & {"Ge", "Gt"} and kinds & {"Le", "Lt"}):
                    loose.append(f"{where}.{name}")
        return loose

    assert walk(Config, "") == []


def test_a_syntax_error_names_the_line() -> None:
    message = told("[site]\nname = Depot\n")
    assert "not valid TOML" in message
    assert "line 2" in message


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    path = tmp_path / "no.toml"
    with pytest.raises(ConfigError, match=r"no\.toml: cannot be read: No such file"):
        load_config(path)


def test_a_directory_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read: Is a directory"):
        load_config(tmp_path)


def test_text_that_is_not_utf_8_is_named_with_its_place(tmp_path: Path) -> None:
    path = tmp_path / "latin.toml"
    path.write_bytes(b"# d\xe9p\xf4t\n")
    with pytest.raises(ConfigError, match=r"latin\.toml: not UTF-8 text \(byte 3\)"):
        load_config(path)


def test_a_config_cannot_be_changed_once_read() -> None:
    config = site()
    with pytest.raises(ValueError, match="frozen"):
        config.coil[0].max_on_time_us = 400  # pyright: ignore[reportAttributeAccessIssue]
