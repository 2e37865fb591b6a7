"""The backing audio's own process: what it fills in, what it is told, what it answers."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from bridge.show import audio_process
from bridge.show.audio_process import FADE_S, REPORT_S, Desk, Mixer, attend, load
from tests.fake_audio import asks_once

RATE = 48_000.0
BLOCK = 480
BEGUN_S = 5000.0
"""Host time at which the device's first frame is heard."""


def ramp(seconds: float) -> NDArray[np.float32]:
    """Each frame tells its own number, both channels."""
    frames = np.arange(1, int(seconds * RATE) + 1, dtype=np.float32)
    return np.repeat(frames[:, None], 2, axis=1)


class Device:
    """Asks the mixer for block after block, and keeps what is heard."""

    def __init__(self, mixer: Mixer) -> None:
        self.mixer = mixer
        self.heard: list[NDArray[np.float32]] = []

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * RATE / BLOCK)):
            out = np.full((BLOCK, 2), np.nan, dtype=np.float32)
            self.mixer.fill(out, BEGUN_S + self.mixer.frame / RATE)
            self.heard.append(out)

    def frames(self) -> NDArray[np.float32]:
        """Left channel so far."""
        return np.concatenate(self.heard)[:, 0]


@pytest.fixture
def playing() -> tuple[Device, Desk]:
    """Ten seconds of ramp as item 3, the device's clock known."""
    mixer = Mixer(RATE)
    device, desk = Device(mixer), Desk(mixer, {3: ramp(10.0)})
    for _ in range(10):
        device.run(REPORT_S)
        desk.observe()
    return device, desk


def test_it_plays_from_the_place_at_the_time(playing: tuple[Device, Desk]) -> None:
    device, desk = playing
    at_s = BEGUN_S + 1.5
    answer = desk.command({"play": 3, "number": 7, "position_s": 2.0, "at_s": at_s})
    assert answer == {"begins": 7, "stream_s": pytest.approx(1.5), "position_s": 2.0}
    device.run(1.0)
    heard, first = device.frames(), round(1.5 * RATE)
    assert not heard[:first].any()
    assert heard[first : first + 1000].tolist() == ramp(10)[96_000:97_000, 0].tolist()


def test_what_is_called_for_too_late_begins_at_once_and_says_so(
    playing: tuple[Device, Desk],
) -> None:
    device, desk = playing
    answer = desk.command({"play": 3, "number": 1, "position_s": 0.0, "at_s": BEGUN_S + 0.2})
    assert answer == {"begins": 1, "stream_s": pytest.approx(1.0), "position_s": 0.0}
    device.run(0.1)
    assert device.frames()[48_000] == 1.0


def test_stop_ends_it_at_the_time_and_a_fade_takes_its_time(playing: tuple[Device, Desk]) -> None:
    device, desk = playing
    desk.command({"play": 3, "number": 1, "position_s": 0.0, "at_s": BEGUN_S + 1.0})
    desk.command({"stop": BEGUN_S + 1.25})
    device.run(1.0)
    heard = device.frames()
    assert np.flatnonzero(heard)[[0, -1]].tolist() == [48_000, 60_000 - 1]
    desk.command({"play": 3, "number": 2, "position_s": 0.0, "at_s": BEGUN_S + 2.0})
    desk.command({"fade": BEGUN_S + 2.5})
    device.run(3.0)
    share = device.frames()[96_000:] / ramp(10)[:144_000, 0]
    fades = round(FADE_S * RATE)
    assert share[:24_000] == pytest.approx(1.0)
    assert np.all(np.diff(share[24_000 : 24_000 + fades]) < 0), "it falls all the time"
    assert share[24_000 + fades // 2] == pytest.approx(0.5, abs=1e-3)
    assert not share[24_000 + fades :].any()


def test_a_fade_of_what_has_not_begun_is_silence(playing: tuple[Device, Desk]) -> None:
    """A trip within the last second and a half of a countdown: nothing begins after it."""
    device, desk = playing
    desk.command({"play": 3, "number": 1, "position_s": 0.0, "at_s": BEGUN_S + 1.5})
    desk.command({"fade": BEGUN_S + 1.4})
    device.run(3.0)
    assert not device.frames().any()


@pytest.mark.parametrize("first", ["stop", "fade"])
@pytest.mark.parametrize("second", ["stop", "fade"])
def test_what_ends_is_never_louder_for_being_ended_again(
    playing: tuple[Device, Desk], first: str, second: str
) -> None:
    """A trip fades, and somebody pauses meanwhile; or the other way round."""
    device, desk = playing
    desk.command({"play": 3, "number": 1, "position_s": 0.0, "at_s": BEGUN_S + 1.0})
    device.run(1.0)
    desk.command({first: BEGUN_S + 2.2})
    device.run(0.8)
    desk.command({second: BEGUN_S + 2.9})
    device.run(3.0)
    heard = device.frames()[48_000:]
    share = heard / ramp(10)[: len(heard), 0]
    assert share[0] == 1.0
    assert np.all(np.diff(share) < 1e-6), "never louder"
    last = np.flatnonzero(share)[-1] + 1
    wanted = {"stop": 57_600, "fade": 57_600 + round(FADE_S * RATE)}[first]
    assert last == pytest.approx(min(wanted, 91_200 if second == "stop" else math.inf), abs=1)


@pytest.mark.parametrize(("dac_s", "ahead_s"), [(7.25, 0.25), (0.0, 0.0)])
def test_what_a_device_takes_is_heard_as_much_later_as_it_says(
    monkeypatch: pytest.MonkeyPatch, dac_s: float, ahead_s: float
) -> None:
    """One that is connected to nothing says 0: no hours are made of that."""
    asks_once(monkeypatch, now_s=7.0, dac_s=dac_s, rate=RATE, frames=BLOCK)
    monkeypatch.setattr(audio_process.time, "monotonic", lambda: 900.0)
    mixer, _, _ = audio_process._open(None)  # pyright: ignore[reportPrivateUsage]
    assert list(mixer.pairs) == [(900.0 + ahead_s, 0.0)]


def test_a_stop_without_music_and_a_part_played_out_are_silence(
    playing: tuple[Device, Desk],
) -> None:
    device, desk = playing
    assert desk.command({"stop": BEGUN_S + 1.0}) is None
    desk.command({"play": 3, "number": 1, "position_s": 9.9, "at_s": BEGUN_S + 1.0})
    device.run(0.5)
    heard = device.frames()
    assert np.count_nonzero(heard) == 4800
    assert not heard[48_000 + 4800 :].any()


def test_nothing_is_begun_before_the_devices_clock_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A wish that came while it loaded: by no clock its time would have been long ago."""
    said: list[dict[str, Any]] = []
    monkeypatch.setattr(audio_process, "_say", said.append)
    mixer = Mixer(RATE)
    device, desk = Device(mixer), Desk(mixer, {0: ramp(1.0)})
    wish = {"play": 0, "number": 1, "position_s": 0.0, "at_s": BEGUN_S + 0.5}

    def lines() -> Iterator[list[bytes]]:
        yield [json.dumps(wish).encode()]
        assert said == [], "the device has asked for nothing yet"
        yield []
        device.run(REPORT_S)
        yield []

    attend(desk, lines())
    assert [w for w in said if "begins" in w] == [
        {"begins": 1, "stream_s": pytest.approx(0.5, abs=1e-3), "position_s": 0.0}
    ]
    device.run(1.0)
    assert np.flatnonzero(device.frames())[0] == pytest.approx(24_000, abs=48)


@pytest.mark.parametrize("name", ["tone.wav", "tone.flac", "tone.ogg"])
@pytest.mark.parametrize(("rate", "channels"), [(48_000, 1), (44_100, 2)])
def test_files_become_the_devices_rate_and_two_channels(
    tmp_path: Path, name: str, rate: int, channels: int
) -> None:
    """A 1 kHz tone has its length, its level and its pitch afterwards."""
    tone = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(rate) / rate)
    soundfile.write(tmp_path / name, np.repeat(tone[:, None], channels, axis=1), rate)
    found = load(tmp_path / name, 0.5, RATE)
    assert found.shape == (48_000, 2)
    assert found.dtype == np.float32
    middle = found[12_000:36_000, 0]
    assert np.sqrt(2 * np.mean(middle**2)) == pytest.approx(0.25, rel=0.02)
    spectrum = np.abs(np.fft.rfft(middle))
    assert np.argmax(spectrum) * RATE / len(middle) == pytest.approx(1000, abs=2)


# -- the process itself -------------------------------------------------------------------------


def run_process(setting: dict[str, Any]) -> list[dict[str, Any]]:
    """What it says until it ends; its input ends at once."""
    done = subprocess.run(
        [sys.executable, "-m", "bridge.show.audio_process"],
        input=json.dumps(setting).encode() + b"\n",
        capture_output=True,
        timeout=60,
        check=True,
        env=os.environ | {"JACK_NO_START_SERVER": "1"},
    )
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_a_device_that_is_not_there_is_said_so_once() -> None:
    said = run_process({"device": "no loudspeaker of the depot", "files": []})
    assert len(said) == 1
    assert "no loudspeaker of the depot" in said[0]["missing"]


def test_a_file_that_is_gone_means_no_audio_and_no_traceback(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """It was there when the show was loaded."""
    said: list[dict[str, Any]] = []
    monkeypatch.setattr(audio_process, "_say", said.append)
    monkeypatch.setattr(audio_process, "_open", lambda device: (Mixer(RATE), None, "Depot"))
    monkeypatch.setattr(os, "set_blocking", lambda fd, blocking: None)
    setting = {"device": None, "files": [[0, str(tmp_path / "gone.wav"), 1.0]]}
    pieces = [json.dumps(setting).encode()[:9], json.dumps(setting).encode()[9:] + b"\n"]
    monkeypatch.setattr(os, "read", lambda fd, count: pieces.pop(0))
    audio_process.main()
    assert len(said) == 1
    assert "gone.wav" in said[0]["missing"]


def test_a_wish_written_together_with_the_setting_is_not_lost(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    soundfile.write(tmp_path / "tone.wav", np.zeros((480, 2)), 48_000)
    mixer, said = Mixer(RATE), list[dict[str, Any]]()
    Device(mixer).run(0.1)

    class Stream:
        def stop(self) -> None:
            pass

    monkeypatch.setattr(audio_process, "_say", said.append)
    monkeypatch.setattr(audio_process, "_open", lambda device: (mixer, Stream(), "Depot"))
    monkeypatch.setattr(os, "set_blocking", lambda fd, blocking: None)
    into, out = os.pipe()
    try:
        read = os.read
        monkeypatch.setattr(os, "read", lambda fd, count: read(into, count))
        setting = {"device": None, "files": [[0, str(tmp_path / "tone.wav"), 1.0]]}
        wish = {"play": 0, "number": 1, "position_s": 0.0, "at_s": BEGUN_S + 1}
        os.write(out, json.dumps(setting).encode() + b"\n" + json.dumps(wish).encode() + b"\n")
        os.close(out)
        monkeypatch.setattr(audio_process.select, "select", lambda r, w, x, t: (r, w, x))
        worker = threading.Thread(target=audio_process.main)
        worker.start()
        worker.join(20)
        assert not worker.is_alive()
    finally:
        os.close(into)
    assert [next(iter(words)) for words in said] == ["rate", "at_s", "begins"]
    assert math.isclose(said[2]["stream_s"], 1.0, abs_tol=1e-3)
