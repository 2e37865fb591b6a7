"""Music read back from pulse times: the whole chain in simulated time, on quiet lines."""

from __future__ import annotations

import itertools
import math

import pytest

from bridge.config_check import fitted
from bridge.interlock import State
from tests.chain.rig import (
    armed,
    bend,
    between,
    coil,
    control,
    gaps_ticks,
    guard_refusals,
    note_off,
    note_on,
    one_coil,
    organ,
    site,
    violations,
)
from tests.chain.voices import (
    TICK_HZ,
    cents,
    hz_of,
    play,
)


@pytest.mark.parametrize("number", [7, 11])
def test_a_volume_or_expression_of_zero_gives_no_pulse(number: int) -> None:
    played = armed(one_coil())
    organ(played, 1, 2)
    play(played, control(number, 0), note_on(57, 127))
    played.run_for(1.0)
    assert played.take_pulses()["Larkspur"] == []
    play(played, control(number, 100))
    played.run_for(0.2)
    assert played.take_pulses()["Larkspur"]  # and it was that controller alone


@pytest.mark.parametrize("number", [7, 11])
def test_a_fade_ends_in_silence(number: int) -> None:
    played = armed(one_coil())
    organ(played, 1, 2)
    play(played, note_on(57, 127))
    for value in range(127, -1, -1):
        play(played, control(number, value))
        played.run_for(0.01)
    faded_s = played.now_s
    played.run_for(1.0)
    pulses = played.take_pulses()["Larkspur"]
    assert len(pulses) > 200
    assert between(pulses, faded_s + 0.01, math.inf) == []
    on = [p.on_ticks for p in pulses[20:]]
    assert all(later <= earlier + 1 for earlier, later in itertools.pairwise(on))


@pytest.mark.long
def test_three_velocities_differ_at_every_playable_pitch() -> None:
    """Up to the highest note that the coil's limits leave room for, which the site is given."""
    given = one_coil(
        max_break_rate_hz=1900,
        duty_windows=[
            {"window_ms": 1000, "max_percent": 6},
            {"window_ms": 100, "max_percent": 8},
        ],
        notes={"lowest": 16, "outside": "drop"},
    )
    config = fitted(given)
    highest = config.coil[0].notes.highest
    assert highest >= 84, "1,047 Hz and more"
    played = armed(config)
    organ(played, 1, 2)
    for note in range(16, highest + 1):
        means: list[float] = []
        for velocity in (60, 90, 120):
            start_s = played.now_s
            play(played, note_on(note, velocity))
            played.run_for(0.25)
            play(played, note_off(note))
            pulses = between(played.take_pulses()["Larkspur"], start_s + 0.05, played.now_s)
            assert len(pulses) >= 3, f"note {note} is silent"
            means.append(sum(p.on_ticks for p in pulses) / len(pulses))
            played.run_for(0.3)
        # At the very top a few ticks of room are left: one is what the pin can tell apart.
        apart = 2 if note <= 84 else 1
        assert means[0] + apart <= means[1], f"note {note}: {means}"
        assert means[1] + apart <= means[2], f"note {note}: {means}"
    assert violations(config, played) == []
    assert guard_refusals(played) == 0


def test_500_bends_a_second_keep_every_gap_between_the_shortest_and_longest_period() -> None:
    played = armed(one_coil())
    organ(played, 1, 2)
    play(played, note_on(57, 100))
    played.run_for(0.1)
    start_s = played.now_s
    asked_hz = [220.0]
    for step in range(1500):
        value = math.sin(step * 0.05) * 180 if step % 7 else math.cos(step) * 190
        play(played, bend(value))
        asked_hz.append(220.0 * 2 ** (round(value / 200 * 8192) / 8192 * 2 / 12))
        played.run_for(0.002)
    gaps = gaps_ticks(between(played.take_pulses()["Larkspur"], start_s, played.now_s))
    assert len(gaps) > 600, "3 s at 220 Hz"
    assert cents(max(gaps) / min(gaps)) > 150, "it followed the bends"
    assert min(gaps) >= math.floor(TICK_HZ / max(asked_hz)) - 1
    assert max(gaps) <= math.ceil(TICK_HZ / min(asked_hz)) + 1
    assert guard_refusals(played) == 0


@pytest.mark.long
def test_mean_pitch_is_that_of_midi_note_numbers() -> None:
    """ISO 16 A4 and MIDI note numbers; the frequencies are pretty_midi's.

    Every note from 20.6 Hz to the highest that a board with its ceiling of 2,000 starts a second
    takes from the governor; link/test_slots.py covers the periods themselves up to 2 kHz.
    """
    played = armed(one_coil(max_break_rate_hz=2000, min_off_time_us=100, max_on_time_us=60))
    organ(played, 1, 2)
    errors: dict[int, float] = {}
    for note in range(16, 94):
        start_s = played.now_s
        play(played, note_on(note, 80))
        played.run_for(1.2)
        play(played, note_off(note))
        pulses = between(played.take_pulses()["Larkspur"], start_s, played.now_s)
        hz = hz_of(note)
        assert abs(len(pulses) - 1.2 * hz) <= 3, f"note {note}: {len(pulses)} pulses"
        ticks = pulses[-1].start_tick - pulses[0].start_tick
        # One tick of rounding at either end of a finite measurement is not the train's error.
        slack = cents(1 + 1 / ticks)
        errors[note] = abs(cents(TICK_HZ * (len(pulses) - 1) / ticks / hz)) - slack
        played.run_for(0.3)
    assert len(errors) == 78
    assert max(errors.values()) < 0.05, errors


def test_boards_5000_ppm_fast_and_slow_are_in_tune_with_a4_and_each_other() -> None:
    controllers = [
        {
            "name": name,
            "port": "simulated",
            "board_id": f"c01100{i:02x}",
            "simulated": {"clock_error_ppm": ppm},
        }
        for i, (name, ppm) in enumerate((("North", 5000.0), ("South", -5000.0)))
    ]
    config = site(
        [coil("Larkspur", "North", 1), coil("Foxglove", "South", 1)],
        controllers=controllers,
        music={"routes": [{"coils": ["Larkspur", "Foxglove"]}]},
    )
    played = armed(config, seed=5)
    organ(played, 1, 2)
    start_s = played.now_s
    play(played, note_on(69, 100))
    played.run_for(20.0)
    rates: dict[str, float] = {}
    for name, pulses in played.take_pulses().items():
        steady = between(pulses, start_s + 0.5, played.now_s)
        rates[name] = (len(steady) - 1) / (steady[-1].start_s - steady[0].start_s)
    assert abs(cents(rates["Larkspur"] / 440)) < 1
    assert abs(cents(rates["Foxglove"] / 440)) < 1
    assert abs(cents(rates["Larkspur"] / rates["Foxglove"])) < 1
    assert violations(config, played) == []
    assert played.engine.interlock.state is State.ARMED


def test_motion_is_smooth_vibrato_steps_at_most_5_cents() -> None:
    played = armed(one_coil())
    organ(played, 1, 2)
    play(played, note_on(69, 100), control(1, 127))
    played.run_for(1.0)
    start_s = played.now_s
    played.run_for(3.0)
    gaps = gaps_ticks(between(played.take_pulses()["Larkspur"], start_s, played.now_s))
    steps = [abs(cents(b / a)) for a, b in itertools.pairwise(gaps)]
    assert max(cents(g / (TICK_HZ / 440)) for g in gaps) > 30  # it does move
    assert max(steps) <= 5.0 + cents(1 + 1 / min(gaps))  # one tick of edge rounding
