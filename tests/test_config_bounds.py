"""Bounds of the configuration: each value out of them is told with file, key, value and bound."""

from __future__ import annotations

from typing import get_args

import pytest
from pydantic import BaseModel

from bridge.config import Config
from tests.site_text import changed, told

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
