"""The sound of pulses: pitch by FFT (numpy), loudness by energy, sides."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # pyright: ignore[reportMissingTypeStubs]

from bridge.clocks import HostS
from bridge.music.instrument import Instrument
from bridge.rehearse.direct_site import DirectSite
from bridge.sound.synthesis import Synthesis, loudness, pans
from bridge.sound.wav import RATE, SoundError, write_wav
from bridge.virtual_site import TimedPulse
from tests.chain.rig import INPUT, coil, note_on, site

ROOMY = [{"window_ms": 1000, "max_percent": 12}]


def peak_hz(samples: np.ndarray[Any, Any], rate: float, near_hz: float) -> float:
    """The spectrum's peak within a semitone, between bins by the parabola through its logarithm.

    A Gaussian window makes that parabola exact (standard signal processing).
    """
    count = len(samples)
    window = np.exp(-0.5 * ((np.arange(count) - count / 2) / (count / 8)) ** 2)
    level = np.abs(np.fft.rfft(samples * window))
    hz = np.fft.rfftfreq(count, 1 / rate)
    inside = np.flatnonzero((hz > near_hz / 1.06) & (hz < near_hz * 1.06))
    top = inside[np.argmax(level[inside])]
    a, b, c = np.log(level[top - 1 : top + 2])
    return float(hz[1] * (top + 0.5 * (a - c) / (a - 2 * b + c)))


def test_the_spectrum_of_a_rehearsed_a4_peaks_at_440_hz(tmp_path: Path) -> None:
    """ISO 16: A4 = 440 Hz; within a cent."""
    config = site([coil("Larkspur", "North", 1, duty_windows=ROOMY)])
    direct = DirectSite(config, Instrument(config))
    direct.midi(INPUT, bytes((0xC0, 16)))
    direct.midi(INPUT, note_on(69))
    direct.run_until(HostS(4.0))
    path = tmp_path / "a4.wav"
    write_wav(path, config.coil, direct.take_pulses(), 4.0)
    samples, rate = soundfile.read(str(path))  # pyright: ignore[reportUnknownMemberType, reportUnknownVariableType]
    assert rate == RATE
    assert samples.shape[1] == 2
    found_hz = peak_hz(samples[RATE : 3 * RATE, 0], RATE, 440.0)
    assert abs(1200 * math.log2(found_hz / 440.0)) < 1.0
    # and there is nothing an octave below: it is a train of equal bangs
    spectrum = np.abs(np.fft.rfft(samples[RATE : 3 * RATE, 0] * np.hanning(2 * RATE)))
    assert spectrum[430:450].max() < 0.05 * spectrum[870:890].max()


def test_the_measurement_itself_tells_two_cents() -> None:
    tone = np.sin(2 * np.pi * 440 * 2 ** (2 / 1200) * np.arange(2 * RATE) / RATE)
    assert 1200 * math.log2(peak_hz(tone, RATE, 440.0) / 440.0) == pytest.approx(2.0, abs=0.05)


def _energy(loud: float) -> float:
    block = Synthesis(RATE, pans(1)).block(2000, {0: (np.array([100.0]), np.array([loud]))})
    return float((block.astype(np.float64) ** 2).sum())


def test_sound_energy_goes_as_the_bangs_energy() -> None:
    """Square law without a tank: twice the on-time, four times the energy."""
    one = site([coil("Larkspur", "North", 1)]).coil[0]
    short, long = loudness(one, np.array([50.0, 100.0]))
    assert _energy(long) / _energy(short) == pytest.approx(4.0, rel=1e-3)


def test_coils_stand_from_left_to_right_equally_loud() -> None:
    for count in (1, 2, 3, 4):
        sides = pans(count)
        assert all(left**2 + right**2 == pytest.approx(1.0) for left, right in sides)
        assert [left for left, _ in sides] == sorted((left for left, _ in sides), reverse=True)
    left, right = (
        Synthesis(RATE, pans(2)).block(2000, {c: (np.array([50.0]), np.array([1.0]))})
        for c in (0, 1)
    )
    assert np.abs(left[:, 0]).max() > 3 * np.abs(left[:, 1]).max()
    assert np.abs(right[:, 1]).max() > 3 * np.abs(right[:, 0]).max()


def test_blocks_join_without_a_seam() -> None:
    places = np.sort(np.random.default_rng(5).uniform(0, 9000, 60))
    loud = np.ones(60)
    whole = Synthesis(RATE, pans(1)).block(9000, {0: (places, loud)})
    parts = Synthesis(RATE, pans(1))
    joined: list[np.ndarray[Any, Any]] = []
    for first in range(0, 9000, 7):
        count = min(7, 9000 - first)
        inside = (places >= first) & (places < first + count)
        joined.append(parts.block(count, {0: (places[inside], loud[inside])}))
    assert np.abs(np.concatenate(joined) - whole).max() < 0.05  # a thirty-second of a sample


def test_there_is_no_standing_pressure() -> None:
    block = Synthesis(RATE, pans(1)).block(4000, {0: (np.array([1000.0]), np.array([1.0]))})
    assert abs(float(block.sum())) < 1e-3 * float(np.abs(block).sum())


def test_backing_audio_is_mixed_in_and_a_file_that_is_none_is_told(tmp_path: Path) -> None:
    config = site([coil("Larkspur", "North", 1)])
    backing = tmp_path / "backing.flac"
    tone = 0.4 * np.sin(2 * np.pi * 1000 * np.arange(44100) / 44100)
    soundfile.write(str(backing), tone, 44100)  # pyright: ignore[reportUnknownMemberType]
    pulses = {"Larkspur": [TimedPulse(n / 100, 1e-4, 0, 200) for n in range(50)]}
    path = tmp_path / "mix.wav"
    write_wav(path, config.coil, pulses, 0.5, backing=backing)
    samples, _ = soundfile.read(str(path))  # pyright: ignore[reportUnknownMemberType, reportUnknownVariableType]
    assert len(samples) == RATE * 1.5
    found_hz = peak_hz(samples[RATE // 2 : RATE, 0], RATE, 1000.0)
    assert found_hz == pytest.approx(1000.0, rel=1e-4)
    (tmp_path / "no.wav").write_bytes(b"nothing of the kind")
    with pytest.raises(SoundError, match=r"no\.wav: cannot be read as sound"):
        write_wav(path, config.coil, pulses, 0.5, backing=tmp_path / "no.wav")
    with pytest.raises(SoundError, match="cannot be written"):
        write_wav(tmp_path, config.coil, pulses, 0.5)
