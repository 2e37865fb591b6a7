"""Music read back from pulse times: the whole chain in simulated time, on quiet lines."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pretty_midi
import pytest

from bridge.interlock import State
from bridge.virtual_site import TimedPulse, VirtualSite
from tests.chain.rig import (
    INPUT,
    armed,
    bend,
    between,
    coil,
    collisions_dropped,
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

TICK_HZ = 2_000_000


def play(played: VirtualSite, *messages: bytes) -> None:
    for message in messages:
        played.midi(INPUT, message)


def cents(ratio: float) -> float:
    return 1200 * math.log2(ratio)


def spectrum_peak_hz(
    pulses: list[TimedPulse], near_hz: float, width_hz: float
) -> tuple[float, float]:
    """(frequency, height over the median) of the strongest line within `width_hz` of `near_hz`.

    The pulse train is laid on a 20 kHz grid, windowed (Hann), and transformed (numpy FFT).
    """
    rate = 20_000
    start = pulses[0].start_s
    length = int((pulses[-1].start_s - start) * rate) + 1
    wave = np.zeros(length)
    for pulse in pulses:
        wave[int((pulse.start_s - start) * rate)] += 1
    transformed = np.abs(np.fft.rfft((wave - wave.mean()) * np.hanning(length)))
    frequency = np.fft.rfftfreq(length, 1 / rate)
    near = (frequency > near_hz - width_hz) & (frequency < near_hz + width_hz)
    wide = (frequency > near_hz * 0.7) & (frequency < near_hz * 1.3)
    index = int(np.argmax(np.where(near, transformed, 0)))
    return float(frequency[index]), float(transformed[index] / np.median(transformed[wide]))


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
    config = one_coil(
        max_break_rate_hz=1900,
        duty_windows=[
            {"window_ms": 1000, "max_percent": 6},
            {"window_ms": 100, "max_percent": 8},
        ],
        notes={"lowest": 16, "highest": 84, "outside": "drop"},
    )
    played = armed(config)
    organ(played, 1, 2)
    for note in range(16, 85):
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
        assert means[0] + 2 <= means[1], f"note {note}: {means}"
        assert means[1] + 2 <= means[2], f"note {note}: {means}"
    assert violations(config, played) == []
    assert guard_refusals(played) == 0


def test_a_steady_chord_at_the_duty_limit_settles_without_pumping() -> None:
    config = one_coil(
        duty_windows=[
            {"window_ms": 1000, "max_percent": 4},
            {"window_ms": 200, "max_percent": 5},
        ]
    )
    played = armed(config)
    organ(played, 1, 2)
    struck_s = played.now_s
    play(played, *(note_on(n, 127) for n in (48, 55, 60, 64)))
    played.run_for(8.0)
    pulses = played.take_pulses()["Larkspur"]
    assert sum(p.on_s for p in between(pulses, struck_s + 4, struck_s + 8)) / 4 > 0.04 * 0.75
    settled = between(pulses, struck_s + 2.0, struck_s + 8.0)
    halves = [
        [p.on_ticks for p in between(settled, struck_s + 2 + i, struck_s + 3 + i)] for i in range(6)
    ]
    means = [sum(h) / len(h) for h in halves]
    assert max(means) / min(means) - 1 < 0.002, means  # two windows on: no pumping
    assert violations(config, played) == []
    assert guard_refusals(played) == 0


def test_a_chord_joining_at_the_duty_limit_shrinks_in_small_steps() -> None:
    config = one_coil(duty_windows=[{"window_ms": 1000, "max_percent": 4}])
    played = armed(config)
    organ(played, 1, 2)
    start_s = played.now_s
    play(played, note_on(60, 127))
    played.run_for(3.0)
    play(played, *(note_on(n, 127) for n in (64, 67)))
    seen: list[float] = []
    while played.now_s < start_s + 8.0:
        played.run_for(0.009)
        first = [
            v.on_time_us
            for v in played.engine.lines["Larkspur"].governed.voices
            if abs(v.break_rate_hz - 261.6256) < 0.5
        ]
        seen += first
    steps = [b / a - 1 for a, b in itertools.pairwise(seen)]
    assert max(map(abs, steps)) <= 0.0301, "steps of at most 3 %"
    assert min(seen) < 0.95 * max(seen), "the limit did bite"
    assert violations(config, played) == []


@pytest.mark.parametrize(
    ("name", "second_note", "second_cents"),
    [
        ("octave", 69, 0.0),
        ("fifth", 64, 0.0),
        ("one cent", 57, 1.0),
        ("one hertz", 57, cents(221 / 220)),
    ],
)
def test_two_notes_on_one_coil_keep_both_pitches(
    name: str, second_note: int, second_cents: float
) -> None:
    played = armed(one_coil())
    organ(played, 1, 2)
    play(played, bend(second_cents, channel=2))
    start_s = played.now_s
    play(played, note_on(57, 110, 1), note_on(second_note, 110, 2))
    length_s = 130.0 if name == "one cent" else 12.0
    played.run_for(length_s)
    pulses = played.take_pulses()["Larkspur"]
    steps = round(second_cents / 200 * 8192)
    second_hz = 440 * 2 ** ((second_note - 69) / 12 + steps / 8192 * 2 / 12)
    asked = [220.0 * length_s, second_hz * length_s]
    assert collisions_dropped(played) <= 0.05 * min(asked)
    assert len(pulses) >= sum(asked) - 0.05 * min(asked) - 4
    width_hz = min(3.0, abs(second_hz - 220) / 2.5)
    for wanted_hz in (220.0, second_hz):
        found_hz, height = spectrum_peak_hz(
            between(pulses, start_s + 0.5, math.inf), wanted_hz, width_hz
        )
        assert abs(found_hz - wanted_hz) < max(1.5 / length_s, 0.0005 * wanted_hz), name
        assert height > 30, name


def test_a_unison_becomes_one_train_of_more_energy() -> None:
    played = armed(one_coil())
    organ(played, 1, 2)
    start_s = played.now_s
    play(played, note_on(57, 70, 1))
    played.run_for(1.0)
    play(played, note_on(57, 70, 2))
    played.run_for(1.0)
    pulses = played.take_pulses()["Larkspur"]
    alone = between(pulses, start_s + 0.5, start_s + 1.0)
    both = between(pulses, start_s + 1.5, start_s + 2.0)
    assert abs(len(both) - 110) <= 1  # still 220 pulses a second
    assert both[0].on_ticks > alone[0].on_ticks
    assert collisions_dropped(played) == 0


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
    assert len(gaps) > 500
    assert min(gaps) >= math.floor(TICK_HZ / max(asked_hz)) - 1
    assert max(gaps) <= math.ceil(TICK_HZ / min(asked_hz)) + 1
    assert guard_refusals(played) == 0


@pytest.mark.long
def test_mean_pitch_is_that_of_midi_note_numbers() -> None:
    """ISO 16 A4 and MIDI note numbers; the frequencies are pretty_midi's.

    From 20.6 Hz to the highest note that a board with its ceiling of 2,000 starts a second takes
    from the governor; link/test_slots.py covers the periods themselves up to 2 kHz.
    """
    played = armed(one_coil(max_break_rate_hz=2000, min_off_time_us=100, max_on_time_us=60))
    organ(played, 1, 2)
    worst = 0.0
    highest = 0
    for note in range(16, 96, 3):
        start_s = played.now_s
        play(played, note_on(note, 80))
        played.run_for(3.0)
        play(played, note_off(note))
        pulses = between(played.take_pulses()["Larkspur"], start_s + 0.02, played.now_s)
        if not pulses:
            continue
        highest = note
        ticks = pulses[-1].start_tick - pulses[0].start_tick
        hz = TICK_HZ * (len(pulses) - 1) / ticks
        # One tick of rounding at either end of a finite measurement is not the train's error.
        slack = cents(1 + 1 / ticks)
        error = abs(cents(hz / pretty_midi.note_number_to_hz(note))) - slack
        worst = max(worst, error)
        played.run_for(0.5)
    assert highest >= 91  # 1,568 Hz
    assert worst < 0.05


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
