"""The configuration: what is shipped loads, and every slip is told with file, key and value."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from bridge.config import Config, load_config, parse_config
from bridge.config_check import check_config, config_problems, fitted, quiet_notes
from bridge.config_errors import ConfigError
from tests.site_text import SITE, changed, site

CONFIGS = Path(__file__).parent.parent / "configs"


def told(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "depot.toml")
    message = str(caught.value)
    assert message.startswith("depot.toml: ")
    return message


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


MUSIC = "\n[music]\n"
SWITCH = '\n[dead_man]\nsource = "panel"\n'
MQTT = '\n[mqtt]\nhost = "broker"\nbridge = "north"\nsite = "depot"\n'
ROPE = '\n[[stop]]\nname = "Desk"\nport = "/dev/x"\nkind = "rope"\n'

# (old text, new text, key path in the message, what was found, what is allowed)
BOUNDS = [
    ('name = "Depot"', 'name = ""', "site.name", "''", "at least 1 character"),
    ('name = "Depot"', f'name = "{"x" * 41}"', "site.name", "'xxx", "at most 40 characters"),
    ('name = "Depot"', 'name = "De\\npot"', "site.name", r"'De\npot'", "may hold letters, digits"),
    ("air_temperature_c = 2", "air_temperature_c = -41", "site.air_temperature_c", "-41", "-40"),
    ("air_temperature_c = 2", "air_temperature_c = 51", "site.air_temperature_c", "51", "50"),
    ("ker_distance_m = 18", "ker_distance_m = -1", "site.loudspeaker_distance_m", "-1", "0"),
    ("ker_distance_m = 18", "ker_distance_m = 501", "site.loudspeaker_distance_m", "501", "500"),
    ("idle_disarm_s = 300", "idle_disarm_s = 4", "site.idle_disarm_s", "4", "5"),
    ("idle_disarm_s = 300", "idle_disarm_s = 7201", "site.idle_disarm_s", "7201", "7200"),
    ("idle_disarm_s = 300", "state_directory = 3", "site.state_directory", "3", "path in quotes"),
    ('port = "/dev/north"', 'port = ""', "controller[1].port", "''", "at least 1 character"),
    ('port = "/dev/north"', "port = 3", "controller[1].port", "3", "must be text in quotes"),
    ("baud = 500000", "baud = 115199", "controller[1].baud", "115199", "115200"),
    ("baud = 500000", "baud = 4000001", "controller[1].baud", "4000001", "4000000"),
    ("baud = 500000", "baud = 500000.5", "controller[1].baud", "500000.5", "whole number"),
    ("baud = 500000", 'baud = "500000"', "controller[1].baud", "'500000'", "whole number"),
    ('"7a31c002"', '"7a31c00"', "controller[1].board_id", "'7a31c00'", "eight hexadecimal digits"),
    ('"7a31c002"', '"7a31c00g"', "controller[1].board_id", "'7a31c00g'", "eight hexadecimal"),
    ("link_jitter_ms = 5", "link_jitter_ms = -1", "controller[1].link_jitter_ms", "-1", "0"),
    ("link_jitter_ms = 5", "link_jitter_ms = 51", "controller[1].link_jitter_ms", "51", "50"),
    ("error_ppm = 100", "error_ppm = -6001", "[2].simulated.clock_error_ppm", "-6001", "-6000"),
    ("error_ppm = 100", "error_ppm = 6001", "[2].simulated.clock_error_ppm", "6001", "6000"),
    ("output = 1", "output = 0", 'coil[1].output (of "Larkspur")', "0", "1"),
    ("output = 1", "output = 5", 'coil[1].output (of "Larkspur")', "5", "4"),
    ("min_on_time_us = 55", "min_on_time_us = 4.9", "coil[1].min_on_time_us", "4.9", "5"),
    ("min_on_time_us = 55", "min_on_time_us = 401", "coil[1].min_on_time_us", "401", "400"),
    ("min_on_time_us = 55", "min_on_time_us = true", "coil[1].min_on_time_us", "True", "a number"),
    ("\nmax_on_time_us = 180", "\nmax_on_time_us = 4", "coil[1].max_on_time_us", "4", "5"),
    ("\nmax_on_time_us = 180", "\nmax_on_time_us = 400.1", "[1].max_on_time_us", "400.1", "400"),
    ("_rate_hz = 80,", "_rate_hz = 0,", "coil[1].on_time_curve[1].break_rate_hz", "0", "than 0"),
    ("_rate_hz = 220,", "_rate_hz = 5001,", "on_time_curve[2].break_rate_hz", "5001", "5000"),
    ("us = 180 }", "us = 0 }", "coil[1].on_time_curve[1].max_on_time_us", "0", "greater than 0"),
    ("us = 180 }", "us = 401 }", "coil[1].on_time_curve[1].max_on_time_us", "401", "400"),
    ("min_off_time_us = 500", "min_off_time_us = 99", "coil[1].min_off_time_us", "99", "100"),
    ("min_off_time_us = 500", "min_off_time_us = 20001", "[1].min_off_time_us", "20001", "20000"),
    ("max_break_rate_hz = 700", "max_break_rate_hz = 9", "coil[1].max_break_rate_hz", "9", "10"),
    ("max_break_rate_hz = 700", "max_break_rate_hz = 2001", "coil[1].max_break", "2001", "2000"),
    ("window_ms = 100,", "window_ms = 4,", "coil[1].duty_windows[2].window_ms", "4", "5"),
    ("window_ms = 100,", "window_ms = 10001,", "duty_windows[2].window_ms", "10001", "10000"),
    ("max_percent = 4 }", "max_percent = 0 }", "duty_windows[1].max_percent", "0", "than 0"),
    ("max_percent = 4 }", "max_percent = 12.1 }", "duty_windows[1].max_percent", "12.1", "12"),
    (
        "duty_windows = [{ window_ms = 1000, max_percent = 4 }]",
        "duty_windows = []",
        'coil[2].duty_windows (of "Foxglove")',
        "[]",
        "at least 1 item",
    ),
    (
        "max_percent = 6 }]",
        "max_percent = 6 }, { window_ms = 50, max_percent = 7 }, "
        "{ window_ms = 40, max_percent = 7 }]",
        'coil[1].duty_windows (of "Larkspur")',
        "[",
        "at most 3 items",
    ),
    ("max_voices = 4", "max_voices = 0", "coil[1].max_voices", "0", "1"),
    ("max_voices = 4", "max_voices = 5", "coil[1].max_voices", "5", "4"),
    ("{ lowest = 28", "{ lowest = -1", "coil[1].notes.lowest", "-1", "0"),
    ("highest = 74,", "highest = 128,", "coil[1].notes.highest", "128", "127"),
    ('"fold"', '"bounce"', "coil[1].notes.outside", "'bounce'", "'fold', 'drop' or 'error'"),
    ("{ bangs = 12", "{ bangs = -1", "coil[1].soft_start.bangs", "-1", "0"),
    ("{ bangs = 12", "{ bangs = 501", "coil[1].soft_start.bangs", "501", "500"),
    ("silence_ms = 5000", "silence_ms = 99", "coil[1].soft_start.after_silence_ms", "99", "100"),
    ("silence_ms = 5000", "silence_ms = 60001", "soft_start.after_silence_ms", "60001", "60000"),
    ("audience_m = 24", "audience_m = -1", "coil[1].distance_to_audience_m", "-1", "0"),
    ("audience_m = 24", "audience_m = 501", "coil[1].distance_to_audience_m", "501", "500"),
    ('"Coilwarden"', '""', "input[1].virtual_port", "''", "at least 1 character"),
    ('"Coilwarden"', f'"{"x" * 61}"', "input[1].virtual_port", "'xxx", "at most 60 characters"),
    ('"keyboard|piano"', '""', "input[2].port_pattern", "''", "at least 1 character"),
    ('"fixed_delay"', '"later"', "input[1].timing", "'later'", "'immediate' or 'fixed_delay'"),
    ("delay_ms = 60", "delay_ms = -1", "input[1].delay_ms", "-1", "0"),
    ("delay_ms = 60", "delay_ms = 60\nstop_controller = -1", "input[1].stop_controller", "-1", "0"),
    ("delay_ms = 60", "delay_ms = 60\nstop_controller = 120", "stop_controller", "120", "119"),
    ("delay_ms = 60", "delay_ms = 151", "input[1].delay_ms", "151", "150"),
    ("max_note_s = 20", "max_note_s = 0.4", 'input[2].max_note_s (of "Keyboard")', "0.4", "0.5"),
    ("max_note_s = 20", "max_note_s = 601", "input[2].max_note_s", "601", "600"),
    ("max_note_s = 20", 'on_loss = "wait"', "input[2].on_loss", "'wait'", "'release' or 'trip'"),
    ("max_mb = 500", "max_mb = 9.9", "journal.max_mb", "9.9", "10"),
    ("port = 8417", "port = 0", "panel.port", "0", "1"),
    ("port = 8417", "port = 65536", "panel.port", "65536", "65535"),
    ('address = "127.0.0.1"', 'address = "1"', "panel.address", "'1'", "2"),
    ('address = "127.0.0.1"', f'address = "{"1" * 46}"', "panel.address", "'1111", "45"),
    ("names = []", f"names = {['n'] * 9}", "panel.names", "['n'", "8"),
    ("max_mb = 500", "max_mb = 1000001", "journal.max_mb", "1000001", "1000000"),
    ("enabled = true", "enabled = 1", "journal.enabled", "1", "true or false"),
    ("a4_hz = 440.0", "a4_hz = 399.9", "music.a4_hz", "399.9", "400"),
    ("a4_hz = 440.0", "a4_hz = 480.1", "music.a4_hz", "480.1", "480"),
    ("range_semitones = 2", "range_semitones = -1", "music.bend_range_semitones", "-1", "0"),
    ("range_semitones = 2", "range_semitones = 97", "music.bend_range_semitones", "97", "96"),
    ("velocity_exponent = 1.5", "velocity_exponent = 0.1", "music.velocity_exponent", "0.1", "0.2"),
    ("velocity_exponent = 1.5", "velocity_exponent = 7", "music.velocity_exponent", "7", "6"),
    ("volume_exponent = 2", "volume_exponent = 0.4", "music.volume_exponent", "0.4", "0.5"),
    ("volume_exponent = 2", "volume_exponent = 7", "music.volume_exponent", "7", "6"),
    ("vibrato_rate_hz = 5.5", "vibrato_rate_hz = 0", "music.vibrato_rate_hz", "0", "0.1"),
    ("vibrato_rate_hz = 5.5", "vibrato_rate_hz = 13", "music.vibrato_rate_hz", "13", "12"),
    ("depth_cents = 40", "depth_cents = -1", "music.vibrato_depth_cents", "-1", "0"),
    ("depth_cents = 40", "depth_cents = 201", "music.vibrato_depth_cents", "201", "200"),
    ("percussion_channel = 10", "percussion_channel = -1", "music.percussion_channel", "-1", "0"),
    ("percussion_channel = 10", "percussion_channel = 17", "music.percussion_channel", "17", "16"),
    ("priority_channel = 1", "priority_channel = 0", "music.priority_channel", "0", "1"),
    ("priority_channel = 1", "priority_channel = 17", "music.priority_channel", "17", "16"),
    ("released = 8", "released = -1", "music.stealing.released", "-1", "0"),
    ("released = 8", "pedalled = 101", "music.stealing.pedalled", "101", "100"),
    ("released = 8", "inner = 101", "music.stealing.inner", "101", "100"),
    ("released = 8", "quiet = 101", "music.stealing.quiet", "101", "100"),
    ("age_per_s = 0.5", "age_per_s = -1", "music.stealing.age_per_s", "-1", "0"),
    ("age_per_s = 0.5", "priority_channel = -1", "music.stealing.priority_channel", "-1", "0"),
    ("channels = [1, 2]", "channels = [1, 17]", "music.routes[1].channels[2]", "17", "16"),
    ("channels = [1, 2]", "channels = [0]", "music.routes[1].channels[1]", "0", "1"),
    ("channels = [1, 2]", "channels = []", "music.routes[1].channels", "[]", "at least 1 item"),
    ("lowest_note = 10", "lowest_note = -1", "music.routes[1].lowest_note", "-1", "0"),
    ("highest_note = 100", "highest_note = 128", "music.routes[1].highest_note", "128", "127"),
    ('coils = ["Larkspur"]', "coils = []", "music.routes[1].coils", "[]", "at least 1 item"),
    ('"spread"', '"mix"', "music.routes[2].deal", "'mix'", "'all' or 'spread'"),
    ('"drop"', '"bin"', "music.routes[2].outside", "'bin'", "'fold', 'drop' or 'error'"),
    (MUSIC, SWITCH + "latch_after_s = 0" + MUSIC, "dead_man.latch_after_s", "0", "0.1"),
    (MUSIC, SWITCH + "latch_after_s = 61" + MUSIC, "dead_man.latch_after_s", "61", "60"),
    (MUSIC, SWITCH + "key_code = 0" + MUSIC, "dead_man.key_code", "0", "1"),
    (MUSIC, SWITCH + "key_code = 768" + MUSIC, "dead_man.key_code", "768", "767"),
    (MUSIC, SWITCH.replace("panel", "luck") + MUSIC, "dead_man.source", "'luck'", "'panel'"),
    (MUSIC, MQTT + "meters_hz = -1" + MUSIC, "mqtt.meters_hz", "-1", "0"),
    (MUSIC, MQTT + "meters_hz = 11" + MUSIC, "mqtt.meters_hz", "11", "10"),
    (MUSIC, MQTT + "port = 0" + MUSIC, "mqtt.port", "0", "1"),
    (MUSIC, MQTT.replace("broker", "") + MUSIC, "mqtt.host", "''", "at least 1 character"),
    (MUSIC, MQTT.replace("north", "a/b") + MUSIC, "mqtt.bridge", "'a/b'", "small letters, digits"),
    (MUSIC, ROPE + MUSIC, "stop[1].kind", "'rope'", "'button_line' or 'keypad'"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "path", "found", "allowed"), BOUNDS)
def test_a_value_out_of_bounds_is_named_with_what_is_allowed(
    old: str, new: str, path: str, found: str, allowed: str
) -> None:
    message = told(changed((old, new)))
    (line,) = message.splitlines()[1:]
    where, _, rest = line.partition(": ")
    assert path in where
    sentence, _, shown = rest.partition(" (found ")
    assert shown.startswith(found)
    assert allowed in sentence


def _bounded(model: type[BaseModel], seen: set[str]) -> set[str]:
    """Every numeric or text key of the models that carries a bound."""
    for name, field in model.model_fields.items():
        for part in (field.annotation, *get_args(field.annotation)):
            if isinstance(part, type) and issubclass(part, BaseModel):
                if part.__module__ == "bridge.config_power":  # tests/test_config_power.py
                    continue
                _bounded(part, seen)
        constraints = [m for m in field.metadata if type(m).__name__ != "Strict"]
        if constraints and name not in {"controller", "coil", "input"}:
            seen.add(name)
    return seen


def test_no_bounded_key_is_missing_from_the_table() -> None:
    tried = " ".join(path for _, _, path, _, _ in BOUNDS)
    assert {k for k in _bounded(Config, set()) if k not in tried} == set()


# (swaps, the whole line that must be there)
TOGETHER: list[tuple[list[tuple[str, str]], str]] = [
    (
        [("\nmax_on_time_us = 180", "\nmax_on_time_us = 54")],
        'coil[1] (of "Larkspur"): max_on_time_us (54) is below min_on_time_us (55)',
    ),
    (
        [("_rate_hz = 220,", "_rate_hz = 80,")],
        'coil[1] (of "Larkspur"): on_time_curve must have rising break_rate_hz',
    ),
    (
        [("us = 140 }", "us = 54 }")],
        'coil[1] (of "Larkspur"): on_time_curve at 220 Hz: max_on_time_us (54) must lie between '
        "min_on_time_us (55) and max_on_time_us (180)",
    ),
    (
        [("us = 180 }", "us = 181 }")],
        'coil[1] (of "Larkspur"): on_time_curve at 80 Hz: max_on_time_us (181) must lie between '
        "min_on_time_us (55) and max_on_time_us (180)",
    ),
    (
        [("window_ms = 100,", "window_ms = 1000,")],
        'coil[1] (of "Larkspur"): duty_windows has the same window_ms twice',
    ),
    (
        [
            (
                "[{ window_ms = 1000, max_percent = 4 }, {",
                "[{ window_ms = 50, max_percent = 4 }, { window_ms = 60, max_percent = 4 }, {",
            )
        ],
        'coil[1] (of "Larkspur"): duty_windows: the controller keeps its 1000 ms window and two '
        "more; give at most two others",
    ),
    (
        [("lowest = 28", "lowest = 80")],
        'coil[1].notes (of "Larkspur"): highest (74) is below lowest (80)',
    ),
    (
        [('port_pattern = "keyboard|piano"', 'port_pattern = "x"\nvirtual_port = "y"')],
        'input[2] (of "Keyboard"): give exactly one of virtual_port and port_pattern',
    ),
    (
        [('port_pattern = "keyboard|piano"\n', "")],
        'input[2] (of "Keyboard"): give exactly one of virtual_port and port_pattern',
    ),
    (
        [('"keyboard|piano"', '"keyboard("')],
        'input[2] (of "Keyboard"): port_pattern is not a regular expression: missing ), '
        "unterminated subpattern at position 8",
    ),
    (
        [("delay_ms = 60", "delay_ms = 0")],
        'input[1] (of "DAW"): timing = "fixed_delay" needs delay_ms above 0, and "immediate" '
        "needs none",
    ),
    (
        [('timing = "fixed_delay"\n', "")],
        'input[1] (of "DAW"): timing = "fixed_delay" needs delay_ms above 0, and "immediate" '
        "needs none",
    ),
    (
        [("highest_note = 100", "highest_note = 9")],
        "music.routes[1]: highest_note (9) is below lowest_note (10)",
    ),
    (
        [("channels = [1, 2]", "channels = [1, 1]")],
        "music.routes[1]: channels names the same one twice: 1, 1",
    ),
    (
        [('coils = ["Larkspur"]', 'coils = ["Larkspur", "Larkspur"]')],
        'music.routes[1]: coils names the same one twice: "Larkspur", "Larkspur"',
    ),
    (
        [('port = "simulated"', 'port = "/dev/south"')],
        'controller[2] (of "Bench board"): simulated settings need port = "simulated", but port '
        'is "/dev/south"',
    ),
    # references between sections
    (
        [('name = "Bench board"', 'name = "North rack"')],
        'controller[2].name: "North rack" is already the name of controller[1]; each needs its own',
    ),
    (
        [('"c0110001"', '"7A31C002"')],
        'controller[2].board_id: "7a31c002" is already the board_id of controller[1]; each needs '
        "its own",
    ),
    (
        [
            ('port = "simulated"', 'port = "/dev/north"'),
            ("[controller.simulated]\nclock_error_ppm = 100\n", ""),
        ],
        'controller[2].port: "/dev/north" is already the port of controller[1]; each needs its own',
    ),
    (
        [('name = "Foxglove"', 'name = "Larkspur"'), ('"Larkspur", "Foxglove"', '"Larkspur"')],
        'coil[2].name: "Larkspur" is already the name of coil[1]; each needs its own',
    ),
    (
        [('name = "Keyboard"', 'name = "DAW"')],
        'input[2].name: "DAW" is already the name of input[1]; each needs its own',
    ),
    (
        [('port_pattern = "keyboard|piano"', 'virtual_port = "Coilwarden"')],
        'input[2].virtual_port: "Coilwarden" is already the virtual_port of input[1]; each needs '
        "its own",
    ),
    (
        [('controller = "Bench board"', 'controller = "West rack"')],
        'coil[2].controller (of "Foxglove"): there is no controller "West rack"; there are: '
        '"North rack", "Bench board"',
    ),
    (
        [('controller = "Bench board"\noutput = 2', 'controller = "North rack"\noutput = 1')],
        'coil[2].output (of "Foxglove"): output 1 of controller "North rack" is already taken by '
        'coil "Larkspur"',
    ),
    (
        [('controller = "Bench board"', 'controller = "North rack"')],
        'controller[2] (of "Bench board"): no coil names this controller; give it a coil or take '
        "it out",
    ),
    (
        [('coils = ["Larkspur"]', 'coils = ["Thistle"]')],
        'music.routes[1].coils: there is no coil "Thistle"; there are: "Larkspur", "Foxglove"',
    ),
]


@pytest.mark.parametrize(("swaps", "line"), TOGETHER)
def test_values_that_do_not_go_together_are_named(swaps: list[tuple[str, str]], line: str) -> None:
    assert line in [text.strip() for text in told(changed(*swaps)).splitlines()[1:]]


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


# -- what only the whole can say ---------------------------------------------------------------


def test_a_coil_whose_limits_leave_no_room_is_refused_with_its_key_path() -> None:
    config = site(("max_percent = 6", "max_percent = 0.01"))
    with pytest.raises(ConfigError) as caught:
        check_config(config, "depot.toml")
    message = str(caught.value)
    assert message.startswith("depot.toml: 1 thing to put right:")
    assert 'coil[1] "Larkspur" duty_windows[2].max_percent: 0.01' in message


def test_an_on_time_without_room_for_the_clocks_tolerance_is_refused() -> None:
    config = site(("max_on_time_us = 150", "max_on_time_us = 50"))
    (problem,) = config_problems(config)
    assert problem.startswith('coil[2] "Foxglove" max_on_time_us: 50 leaves no room')


def test_a_delay_too_short_for_the_farthest_coil_is_refused() -> None:
    config = site(("delay_ms = 60", "delay_ms = 20"))
    (problem,) = config_problems(config)
    assert problem.startswith('input[1].delay_ms (of "DAW"): 20 is too short')
    least = int(problem.rsplit(" ", 1)[1])
    assert config_problems(site(("delay_ms = 60", f"delay_ms = {least}"))) == []
    assert config_problems(site(("delay_ms = 60", f"delay_ms = {least - 1}"))) != []


def test_a_keyboard_beside_a_delayed_input_is_no_fault() -> None:
    assert config_problems(site()) == []


def test_a_live_priority_that_there_is_not_is_named() -> None:
    message = told(changed(("[music]\n", '[music]\nlive_priority = "loudest"\n')))
    wanted = "music.live_priority: must be 'live', 'score' or 'newest' (found 'loudest')"
    assert wanted in message


def test_a_range_whose_highest_note_cannot_be_heard_is_refused_or_fitted() -> None:
    given = site(("highest = 74", "highest = 95"))
    (problem,) = config_problems(given)
    assert 'coil[1] "Larkspur" notes.highest: 95 (1976 Hz)' in problem
    assert "at most 74" in problem
    # Not given, it is the highest note that can be heard.
    found = fitted(site(("highest = 74, ", "")))
    assert found.coil[0].notes.highest == 74
    assert config_problems(found) == []


def test_a_curve_that_silences_low_notes_is_warned_of() -> None:
    # 55 Hz is note 33, 65.4 Hz note 36 (MIDI 1.0 note numbers): flat at breakout up to 55 Hz.
    curve = (
        "{ break_rate_hz = 80, max_on_time_us = 180 },",
        "{ break_rate_hz = 55, max_on_time_us = 55 }, "
        "{ break_rate_hz = 80, max_on_time_us = 180 },",
    )
    assert quiet_notes(site()) == []
    config = site(curve)
    assert config_problems(config) == []  # allowed, and yet:
    (silent,) = (line for line in quiet_notes(config) if "stay silent" in line)
    assert silent.startswith(
        'coil[1] "Larkspur": 6 notes of its range, from 28 to 33 (41 to 55 Hz)'
    )
    assert "on_time_curve" in silent
    (higher,) = quiet_notes(site((curve[0], curve[1].replace("_us = 55", "_us = 57"))))
    assert "from 28 to 33 (41 to 55 Hz), sound loud and soft alike" in higher


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('address = "0.0.0.0"', "token_file, certificate and key"),
        ('address = "192.168.1.7"\ntoken_file = "t"', "token_file, certificate and key"),
        ('address = "192.168.1.7"\ncertificate = "c"\nkey = "k"', "token_file, certificate and"),
        ('address = "::"', "can be reached from other machines"),
        ('address = "depot"', "not an IP address"),
        ('certificate = "c"', "belong together"),
    ],
)
def test_a_panel_that_others_reach_needs_a_token_and_tls(lines: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        parse_config(changed(('address = "127.0.0.1"', lines)), "depot.toml")


def test_a_panel_is_on_loopback_unless_all_is_given() -> None:
    assert parse_config(SITE, "depot.toml").panel.loopback
    given = 'address = "192.168.1.7"\ntoken_file = "t"\ncertificate = "c"\nkey = "k"'
    assert parse_config(changed(('address = "127.0.0.1"', given)), "depot.toml").panel.tls
