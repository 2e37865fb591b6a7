"""Simulated coils made heard: the ear by itself, without a device, and with one as it is here."""

from __future__ import annotations

import asyncio
import math
import os
import re
import statistics
import subprocess
import threading
import time
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
import soundfile  # pyright: ignore[reportMissingTypeStubs]

from bridge import demo as demo_command
from bridge import loop, simulate
from bridge.config import load_config
from bridge.link.simulated_board import SimulatedBoard
from bridge.link.simulated_settings import BoardSettings, Pulse
from bridge.sound.listen import Ears, Listening, bang_by_square_law
from bridge.sound.listen_process import Ear
from bridge.sound.synthesis import Synthesis, loudness, pans
from bridge.virtual_site import TimedPulse
from firmware_protocol.messages import OutputLimits
from tests.chain.rig import coil, site
from tests.end_to_end.rig import Program
from tests.jack import JackServer, jack_server  # noqa: F401
from tests.sound.test_synthesis import peak_hz

RATE = 48_000
BLOCK = 256
ROOT = Path(__file__).resolve().parents[2]


def heard(ear: Ear, blocks: int, arrivals: dict[int, list[tuple[float, float, float]]]) -> Any:
    """What the device gets; the stream's frame 0 is heard at host time 100."""
    found: list[Any] = []
    for number in range(blocks):
        ear.arrived.extend(arrivals.get(number, ()))
        out = np.zeros((BLOCK, 2), dtype=np.float32)
        ear.fill(out, 100 + ear.frame / RATE)
        found.append(out)
    return np.concatenate(found)


def test_a_bang_is_heard_the_latency_after_it_was_fired_and_as_in_a_rehearsal() -> None:
    config = site([coil("Larkspur", "North", 1), coil("Foxglove", "North", 2)])
    ear = Ear(RATE)
    at = {"Larkspur": 100.010, "Foxglove": 100.0173}
    ears = Ears(config.coil)
    bangs = [b for n, s in at.items() for b in ears.bangs(n, [TimedPulse(s, 90e-6, 0, 180)])]
    got = heard(ear, 20, {1: bangs})
    synthesis = Synthesis(RATE, pans(2))
    loud = loudness(config.coil[0], np.array([90.0]))
    places = [(s - 100 + ear.latency_s) * RATE for s in at.values()]
    wanted = synthesis.block(20 * BLOCK, {i: (np.array([p]), loud) for i, p in enumerate(places)})
    assert np.abs(wanted).max() > 0.1
    assert np.abs(got - wanted).max() < 0.02  # a thirty-second of a sample
    assert ear.late == 0


def test_bangs_that_come_too_late_are_left_out_and_counted_no_heap_of_them_cracks() -> None:
    ear = Ear(RATE)
    got = heard(ear, 30, {20: [(100.0 + n / 1000, 1.0, 1.0) for n in range(50)]})
    assert ear.late == 50
    assert not np.abs(got).any()
    got = heard(ear, 10, {0: [(100.16, 1.0, 1.0)]})  # and the next is heard
    assert np.abs(got).max() > 0.3


def test_a_board_without_a_coil_goes_by_its_own_limits() -> None:
    start_s, left, right = bang_by_square_law(5.0, 0.5, 0, 1)
    assert start_s == 5.0
    assert (left, right) == pytest.approx((0.5, 0.5))
    _, left, right = bang_by_square_law(5.0, 1.0, 1, 2)
    assert right > 3 * left


def test_without_a_device_it_says_so_and_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine without PortAudio: the library's own way to say so is an OSError on import."""
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}:{ROOT}")
    said: list[str] = []

    async def listen() -> None:
        async with Listening(said.append) as listening:
            async with asyncio.timeout(60):
                while not listening.missing:
                    listening.hear([(time.monotonic(), 1.0, 1.0)])
                    await asyncio.sleep(0.01)
            listening.hear([(time.monotonic(), 1.0, 1.0)])  # and is no error

    asyncio.run(listen())
    assert said == ["sound: NONE (PortAudio library not found): nothing is heard, all else goes on"]


def test_a_process_that_reads_nothing_holds_nothing_up() -> None:
    """The pipe is full after 64 KiB: what does not fit is lost at once, and counted."""
    listening = Listening(lambda line: None)
    theirs, ours = os.pipe()
    os.set_blocking(ours, False)
    listening._pipe = ours  # pyright: ignore[reportPrivateUsage]
    try:
        for _ in range(100):
            listening.hear([(1.0, 1.0, 1.0)] * 1000)
        assert listening.lost > 50_000
        assert listening.bangs + listening.lost == 100_000
    finally:
        os.close(theirs)
        os.close(ours)


def _record(server: str, file: Path, seconds: int) -> None:
    """What the listening process plays, from the moment it is there."""
    deadline_s = time.monotonic() + 20
    while time.monotonic() < deadline_s:
        lsp = ["jack_lsp", "-s", server]
        found = subprocess.run(lsp, capture_output=True, text=True, check=False).stdout.split()
        ports = sorted(p for p in found if ":out_" in p)
        if len(ports) == 2:
            break
        time.sleep(0.1)
    else:
        return
    command = ["jack_rec", "-f", str(file), "-d", str(seconds), "-b", "16", *ports]
    subprocess.run(command, capture_output=True, check=False, timeout=seconds + 20)


@pytest.mark.real
@pytest.mark.alone
@pytest.mark.parametrize("jack_server", [2048], indirect=True)  # not real-time: see tests/jack.py
def test_a_simulated_coils_a4_is_heard_from_a_real_device(
    jack_server: JackServer,  # noqa: F811
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A4 = 440 Hz (ISO 16): MIDI into the demo's daemon, its simulated controller's pulses through
    PortAudio into JACK's dummy device, captured there by JACK's own recorder; within 3 cents,
    for the device keeps a clock of its own, in most quarters of a second: a busy machine makes JACK
    leave a block out now and then."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setattr(demo_command, "TUNING_NOTE", 69)
    monkeypatch.setattr(demo_command.demo_piece, "piece", list)
    monkeypatch.setattr(demo_command.demo_piece, "END_BEAT", 0)
    config = load_config(ROOT / "configs" / "bench.toml")
    left = config.coil[0].name
    routes = [{"channels": [1], "coils": [left]}]
    music = type(config.music).model_validate(config.music.model_dump() | {"routes": routes})
    config = config.model_copy(update={"music": music})
    file, said = tmp_path / "heard.wav", list[str]()
    recorder = threading.Thread(target=_record, args=(jack_server.name, file, 9))
    recorder.start()
    loop.run(demo_command.play(config, said.append, listen=True))
    recorder.join()
    told = [line for line in said if line.startswith("sound: ")]
    assert re.fullmatch(r"sound: .* Hz, [\d.]+ ms after the bang .*", told[0]), said
    assert re.fullmatch(r"sound: \d{3,} bangs heard .* underruns \d+, late \d+, lost 0", told[-1])
    samples, rate = cast(tuple[Any, int], soundfile.read(str(file)))  # pyright: ignore[reportUnknownMemberType]
    loud = np.flatnonzero(np.abs(samples[:, 0]) > 0.02)
    assert len(loud) > 1000, f"{len(samples)} frames {told}"
    step = rate // 4
    parts = [samples[loud[0] + n * step :][:step, 0] for n in range(1, 7)]
    cents = [1200 * math.log2(peak_hz(p, rate, 440.0) / 440.0) for p in parts]
    assert abs(statistics.median(cents)) < 3.0, f"{cents} {told}"
    # The coil stands left of the other, which is silent.
    note = samples[loud[0] : loud[0] + rate]
    assert note[:, 0].std() > 3 * note[:, 1].std()


@pytest.mark.real
def test_simulate_says_that_nothing_is_heard_and_goes_on(tmp_path: Path) -> None:
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    link = str(tmp_path / "board")
    with Program(
        "simulate", "--plain", "--listen", "--link", link,
        environment={"PYTHONPATH": f"{tmp_path}:{ROOT}"},
    ) as board:  # fmt: skip
        board.wait_for("sound: NONE (PortAudio library not found)")
        board.say("estop")
        board.wait_for("emergency stop pressed")


def test_a_board_on_a_pty_is_heard_by_its_outputs_limits() -> None:
    """Two outputs with limits of 200 and 400 ticks, side by side; the third has none."""
    board = SimulatedBoard(BoardSettings(board_id=1))
    for output, most in ((0, 200), (2, 400)):
        limits = OutputLimits(output, most, 400, 900, 120_000)
        board.controller._outputs[output].guard.set_limits(limits)  # pyright: ignore[reportPrivateUsage]
    bangs = simulate._bangs(board, [Pulse(o, 2000, 200) for o in (0, 2, 1)])  # pyright: ignore[reportPrivateUsage]
    assert [b[0] for b in bangs] == [board.link.seconds_at(2000)] * 2
    (_, left, right), (_, other_left, other_right) = bangs
    assert (left, right) == pytest.approx((2 * other_right, 2 * other_left))
    assert left > 3 * right
