"""A small lawful site as TOML text, with any one line changed: for tests of the configuration."""

from __future__ import annotations

import pytest

from bridge.config import Config, parse_config
from bridge.config_errors import ConfigError

SITE = """\
[site]
name = "Depot"
air_temperature_c = 2
loudspeaker_distance_m = 18
idle_disarm_s = 300

[panel]
address = "127.0.0.1"
port = 8417
names = []

[[controller]]
name = "North rack"
port = "/dev/north"
baud = 500000
board_id = "7a31c002"
link_jitter_ms = 5

[[controller]]
name = "Bench board"
port = "simulated"
board_id = "c0110001"
[controller.simulated]
clock_error_ppm = 100

[[coil]]
name = "Larkspur"
controller = "North rack"
output = 1
min_on_time_us = 55
max_on_time_us = 180
on_time_curve = [
    { break_rate_hz = 80, max_on_time_us = 180 },
    { break_rate_hz = 220, max_on_time_us = 140 },
]
min_off_time_us = 500
max_break_rate_hz = 700
duty_windows = [{ window_ms = 1000, max_percent = 4 }, { window_ms = 100, max_percent = 6 }]
max_voices = 4
notes = { lowest = 28, highest = 74, outside = "fold" }
soft_start = { bangs = 12, after_silence_ms = 5000 }
distance_to_audience_m = 24

[[coil]]
name = "Foxglove"
controller = "Bench board"
output = 2
min_on_time_us = 50
max_on_time_us = 150
min_off_time_us = 450
max_break_rate_hz = 700
duty_windows = [{ window_ms = 1000, max_percent = 4 }]

[[input]]
name = "DAW"
virtual_port = "Coilwarden"
timing = "fixed_delay"
delay_ms = 60

[[input]]
name = "Keyboard"
port_pattern = "keyboard|piano"
max_note_s = 20

[music]
a4_hz = 440.0
bend_range_semitones = 2
velocity_exponent = 1.5
volume_exponent = 2
vibrato_rate_hz = 5.5
vibrato_depth_cents = 40
percussion_channel = 10
priority_channel = 1
stealing = { released = 8, age_per_s = 0.5 }

[[music.routes]]
channels = [1, 2]
lowest_note = 10
highest_note = 100
coils = ["Larkspur"]

[[music.routes]]
coils = ["Larkspur", "Foxglove"]
deal = "spread"
outside = "drop"

[journal]
enabled = true
max_mb = 500
"""


def changed(*swaps: tuple[str, str]) -> str:
    """SITE with the first place of each text replaced; a text that is not there is an error."""
    text = SITE
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def site(*swaps: tuple[str, str]) -> Config:
    return parse_config(changed(*swaps), "depot.toml")


def told(text: str) -> str:
    """What is said of a text that is not lawful."""
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "depot.toml")
    message = str(caught.value)
    assert message.startswith("depot.toml: ")
    return message
