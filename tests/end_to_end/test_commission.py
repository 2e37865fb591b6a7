"""The commissioning walk as a user takes it, in a process of its own, on a simulated board."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from bridge.coil.fit import read_csv
from tests.end_to_end.rig import Program, status, wait_until

pytestmark = pytest.mark.real

SITE = """\
[site]
name = "Depot"
state_directory = "{folder}"
[[controller]]
name = "Bench board"
port = "simulated"
board_id = "c0110001"
[[coil]]
name = "Larkspur"
controller = "Bench board"
output = 1
min_on_time_us = 25
max_on_time_us = 39
min_off_time_us = 300
max_break_rate_hz = 900
duty_windows = [{{ window_ms = 1000, max_percent = 1.5 }}]
notes = {{ lowest = 24, highest = 60 }}
[coil.tank]
resonant_frequency_khz = 110
impedance_ohm = 8.5
loaded_ohm = 0.249
coupling = 0.15
current_limit_a = 4000
[coil.supply]
bus_voltage_v = 650
"""


def test_a_walk_fires_its_steps_takes_readings_and_hands_them_to_the_fit(tmp_path: Path) -> None:
    site, readings = tmp_path / "depot.toml", tmp_path / "readings.csv"
    site.write_text(SITE.format(folder=tmp_path), encoding="utf-8")

    def pulses(program: Program) -> int:
        return int(status(program)["links"][0]["pulses"])

    with Program("commission", str(site), "Larkspur", "--plain", "--readings", str(readings),
                 "--no-arc") as walk:  # fmt: skip
        walk.wait_for("step 1 of 6, fibre: Mains off and locked")
        walk.say("fire")  # not armed: nothing may come of it
        wait_until(lambda: status(walk)["open_conditions"] == [], "the arming list")
        assert pulses(walk) == 0
        walk.say("arm")
        walk.wait_for("ARM?")
        time.sleep(0.5)  # a confirmation sooner than 0.4 s is not meant
        walk.say("confirm")
        walk.wait_for("arming → armed")
        walk.say("next")
        walk.say("next")
        walk.say("next")
        walk.wait_for("step 4 of 6, 25.0 µs")
        for number, amperes in ((4, 800), (5, 1000), (6, 1260)):
            walk.wait_for(f"step {number} of 6")
            walk.say("next")
            walk.wait_for("first a reading")
            before = pulses(walk)
            walk.say("fire")
            wait_until(lambda before=before: pulses(walk) == before + 1, "one bang")
            walk.say(f"reading {amperes}")
            walk.wait_for(f"taken: {amperes} A")
            walk.say("next")
        walk.wait_for("every step is done")
        before = pulses(walk)
        walk.say("fire")
        assert pulses(walk) == before  # a walk that is done fires nothing more
        walk.say("quit")
        walk.wait_for("Longest on-time that stands on them")
        assert walk.process.wait(10) == 0
    taken = read_csv(readings)
    assert [r.peak_current_a for r in taken] == [800, 1000, 1260]
    assert [r.breakout for r in taken] == [False] * 3
    # What the governor made of the steps, and no longer than configured.
    assert taken[0].on_time_us == pytest.approx(25.5, abs=0.1)
    assert all(r.on_time_us <= 40 for r in taken)


def test_a_reading_beyond_the_numbers_ends_the_walk_and_trips_the_site(tmp_path: Path) -> None:
    site, readings = tmp_path / "depot.toml", tmp_path / "readings.csv"
    site.write_text(SITE.format(folder=tmp_path), encoding="utf-8")
    with Program("commission", str(site), "Larkspur", "--plain", "--readings",
                 str(readings)) as walk:  # fmt: skip
        for _ in range(3):
            walk.say("next")
        walk.wait_for("step 4 of 6")
        wait_until(lambda: status(walk)["open_conditions"] == [], "the arming list")
        walk.say("arm")
        walk.wait_for("ARM?")
        time.sleep(0.5)  # a confirmation sooner than 0.4 s is not meant
        walk.say("confirm")
        walk.wait_for("arming → armed")
        walk.say("fire")
        walk.say("reading 3000")
        walk.wait_for("STOP HERE")
        walk.wait_for("armed → tripped: trip 1, cause 32")
        assert status(walk)["state"] == "tripped"
        walk.say("next")
        walk.wait_for("the walk is over: 3000 A")
        walk.say("quit")
        walk.wait_for("no fit yet")
        assert walk.process.wait(10) == 1
