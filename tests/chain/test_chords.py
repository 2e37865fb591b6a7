"""Several voices on one coil, read back from pulse times: limits, intervals, motion in a chord."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from bridge.interlock import State
from bridge.virtual_site import TimedPulse
from tests.chain.rig import (
    armed,
    bend,
    between,
    coil,
    collisions_dropped,
    control,
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
    follow,
    gap_pairs,
    hz_of,
    isolated,
    play,
    share_in_place,
)


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


def on_times(pulses: list[TimedPulse], hz: float, apart_us: float) -> list[TimedPulse]:
    """The pulses of the chord's voice at `hz` that had no other to wait for."""
    track = follow(isolated(pulses, apart_us), hz)
    assert share_in_place(track) > 0.5
    return [p for p in track if p is not None]


def steps_over_3_percent(voice: list[TimedPulse]) -> list[tuple[int, int]]:
    """Neighbouring on-times further apart than 3 % for each 9 ms, beyond a tick of rounding."""
    return [
        (a.on_ticks, b.on_ticks)
        for a, b in itertools.pairwise(voice)
        if abs(b.on_ticks - a.on_ticks)
        > (1.03 ** (1 + int((b.start_s - a.start_s) / 0.009)) - 1) * max(a.on_ticks, b.on_ticks) + 1
    ]


def changes(voice: list[TimedPulse]) -> int:
    return sum(a.on_ticks != b.on_ticks for a, b in itertools.pairwise(voice))


STEADY = (46, 52, 57, 63)
"""No simple ratios: each voice has pulses with no other near, by which it can be followed."""


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
    play(played, *(note_on(n, 127) for n in STEADY))
    played.run_for(8.0)
    pulses = played.take_pulses()["Larkspur"]
    assert sum(p.on_s for p in between(pulses, struck_s + 4, struck_s + 8)) / 4 > 0.04 * 0.75
    settled_s = struck_s + 2.0  # two windows
    for note in STEADY:
        voice = on_times(pulses, hz_of(note), apart_us=360)
        assert steps_over_3_percent(voice) == [], note
        late = [p.on_ticks for p in voice if p.start_s >= settled_s]
        assert len(late) > 6 * hz_of(note) / 2
        assert max(late) - min(late) <= 1, f"note {note} pumps"
    settled = between(pulses, settled_s, struck_s + 8.0)
    seconds = [
        [p.on_ticks for p in between(settled, settled_s + i, settled_s + i + 1)] for i in range(6)
    ]
    means = [sum(s) / len(s) for s in seconds]
    assert max(means) / min(means) - 1 < 0.002, means
    assert violations(config, played) == []
    assert guard_refusals(played) == 0


def test_a_chord_joining_at_the_duty_limit_shrinks_in_small_steps() -> None:
    """And grows back in such steps when it leaves: on-times at the pin."""
    config = one_coil(duty_windows=[{"window_ms": 1000, "max_percent": 4}])
    played = armed(config)
    organ(played, 1, 2)
    start_s = played.now_s
    play(played, note_on(60, 127))
    played.run_for(3.0)
    join_s = played.now_s
    play(played, *(note_on(n, 127) for n in (64, 67)))
    played.run_for(5.0)
    leave_s = played.now_s
    play(played, *(note_off(n) for n in (64, 67)))
    played.run_for(5.0)
    voice = on_times(played.take_pulses()["Larkspur"], hz_of(60), apart_us=360)
    assert steps_over_3_percent(voice) == []

    def heard(from_s: float, to_s: float) -> list[TimedPulse]:
        return [p for p in voice if from_s <= p.start_s < to_s]

    alone, joined, alone_again = (
        [p.on_ticks for p in heard(a, b)]
        for a, b in (
            (start_s + 2.0, join_s),
            (join_s + 2.0, leave_s),
            (leave_s + 2.0, played.now_s),
        )
    )
    for settled in (alone, joined, alone_again):  # two windows after each change
        assert max(settled) - min(settled) <= 1
    assert max(joined) < 0.8 * min(alone), "the limit did bite"
    assert abs(alone_again[-1] - alone[-1]) <= 1
    assert changes(heard(join_s, join_s + 2.0)) >= 8, "and in steps that were seen"
    assert changes(heard(leave_s, leave_s + 2.0)) >= 8
    assert violations(config, played) == []
    assert guard_refusals(played) == 0


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
    # Fewer in all than a twentieth of the slower voice: so of either voice, whoever lost them.
    assert sum(asked) - 0.05 * min(asked) - 4 <= len(pulses) <= sum(asked) + 4
    if name == "octave":
        # A line at 440 Hz might be a harmonic of 220 Hz: that there are three pulses in each period
        # of the lower voice, and (below) a line at 220 Hz, only the two together can do.
        starts = [p.start_tick for p in between(pulses, start_s + 0.1, math.inf)]
        three = [b - a for a, b in zip(starts, starts[3:], strict=False)]
        assert sum(abs(t - TICK_HZ / 220) <= 2 for t in three) > 0.95 * len(three) > 7000
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
    played.run_for(12.0)
    pulses = played.take_pulses()["Larkspur"]
    alone = between(pulses, start_s + 0.5, start_s + 1.0)
    both = between(pulses, start_s + 1.5, start_s + 13.0)
    assert abs(len(both) - 220 * 11.5) <= 1  # none of its pulses dropped, and none more
    assert min(p.on_ticks for p in both) > max(p.on_ticks for p in alone)
    found_hz, height = spectrum_peak_hz(both, 220.0, 3.0)
    assert found_hz == pytest.approx(220.0, abs=0.1)
    assert height > 30
    assert collisions_dropped(played) == 0


FULL_LINE = ("Larkspur", "Foxglove", "Bluebell", "Campion")


def test_vibrato_on_a_full_line_moves_in_steps_of_at_most_5_cents() -> None:
    """Four coils of four voices each on one controller at 500 kbaud, all in motion, as deep as
    CC 1 makes it where nothing else is set."""
    chord = (62, 65, 69, 72)
    config = site(
        [
            coil(n, "North", i + 1, min_on_time_us=10, max_on_time_us=20, min_off_time_us=100)
            for i, n in enumerate(FULL_LINE)
        ],
        music={"routes": [{"coils": list(FULL_LINE)}]},
    )
    depth_cents = config.music.vibrato_depth_cents
    assert config.controller[0].baud == 500_000
    played = armed(config)
    organ(played)
    play(played, *(note_on(n, 100) for n in chord))
    played.run_for(0.3)
    start_s = played.now_s
    played.run_for(0.1)
    play(played, control(1, 127))
    played.run_for(2.0)
    for name in FULL_LINE:
        pulses = between(played.take_pulses()[name], start_s, played.now_s)
        alone = isolated(pulses, apart_us=125)
        for note in chord:
            track = follow(alone, hz_of(note), cents=10)
            pairs = gap_pairs(track)
            gaps = [g for pair in pairs for g in pair]
            assert len(pairs) > 80, (name, note)
            assert cents(max(gaps) / min(gaps)) > 1.8 * depth_cents, "it does move, both ways"
            steps = [abs(cents(b / a)) for a, b in pairs]
            assert max(steps) <= 5.0 + cents(1 + 2 / min(gaps)), (name, note)  # edges round
    assert guard_refusals(played) == 0
    assert played.engine.interlock.state is State.ARMED
