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
from contextlib import AsyncExitStack
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
import soundfile  # pyright: ignore[reportMissingTypeStubs]

from bridge import demo as demo_command
from bridge import loop, simulate
from bridge.coil.curves import curves_of
from bridge.config import load_config
from bridge.link.simulated_board import SimulatedBoard
from bridge.link.simulated_settings import BoardSettings, Pulse
from bridge.sound import listen
from bridge.sound.ear import Ear
from bridge.sound.listen import Ears, Listening, bang_by_square_law
from bridge.sound.listen_process import RECORD, DeviceGoneError, attend
from bridge.sound.synthesis import Synthesis, loudness, pans
from bridge.virtual_site import TimedPulse
from firmware_protocol.messages import OutputLimits
from tests.chain.rig import INPUT, armed, coil, site
from tests.coil.parts import coil as coil_with_tank
from tests.end_to_end.rig import Program
from tests.fake_audio import DEVICE, starts
from tests.jack import JackServer, jack_server  # noqa: F401
from tests.sound.test_synthesis import peak_hz

RATE = 48_000
BLOCK = 256
AHEAD_S = 2 * BLOCK / RATE
ROOT = Path(__file__).resolve().parents[2]


def heard(ear: Ear, blocks: int, arrivals: dict[int, list[tuple[float, float, float]]]) -> Any:
    """What the device gets; the stream's frame 0 is heard at host time 100."""
    found: list[Any] = []
    for number in range(blocks):
        ear.arrived.extend(arrivals.get(number, ()))
        out = np.zeros((BLOCK, 2), dtype=np.float32)
        ear.play(out, 100 + ear.frame / RATE - AHEAD_S, AHEAD_S)
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
    listening.heard({"rate": 48_000.0, "device": "Depot"})
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


@pytest.mark.parametrize(
    ("script", "why"),
    [
        (f"{DEVICE}; read -N 16; exit 3", r"its process ended \(3\)"),
        (f"{DEVICE}; printf '{{\"latency_ms'; kill -9 $$", r"its process ended \(-9\)"),
        (f"{DEVICE}; echo noise of a library; exec sleep 60", "its process hangs"),
        ("exec sleep 60", "its process hangs"),
        ("""echo '{"missing": "pulled out"}'; exec sleep 60""", "pulled out"),
    ],
)
def test_a_process_that_dies_or_hangs_is_ended_and_said_so_once_and_all_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str, why: str
) -> None:
    """Also where a bang finds the pipe broken before the process is seen to end."""
    starts(monkeypatch, tmp_path, script)
    monkeypatch.setattr(listen, "LOOK_S", 0.03)
    monkeypatch.setattr(listen, "OPEN_LOOKS", 10)
    said: list[str] = []

    async def hear() -> None:
        async with asyncio.timeout(20), Listening(said.append) as listening:
            deadline_s = time.monotonic() + 10
            if "exit" in script:
                await listening.ready()
                while listening._pipe is not None and time.monotonic() < deadline_s:  # pyright: ignore[reportPrivateUsage]
                    listening.hear([(0.0, 1.0, 1.0)])
                    time.sleep(0.001)  # noqa: ASYNC251  (the loop must not see its end first)
            while not listening.missing:
                listening.hear([(0.0, 1.0, 1.0)])
                await asyncio.sleep(0.01)
            process: Any = listening._process  # pyright: ignore[reportPrivateUsage]
            await process.wait()

    asyncio.run(hear())
    [line] = said
    assert re.fullmatch(rf"sound: NONE \({why}\): nothing is heard, all else goes on", line)


def test_what_is_missing_is_told_as_it_happens_and_at_the_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """At most once a second, by a clock that is moved here."""
    now_s, said = [50.0], list[str]()
    monkeypatch.setattr(listen, "host_now", lambda: now_s[0])
    listening = Listening(said.append)
    words = {"latency_ms": 36.0, "device_ms": 16.0, "underruns": 0, "late": 0}
    listening.heard({"rate": 48_000.0, "device": "Depot"})
    listening.heard(words)
    listening.heard(words)
    assert said == ["sound: Depot at 48000 Hz, 36 ms after the bang (16 ms of it the device's)"]
    theirs, ours = os.pipe()
    os.set_blocking(ours, False)
    listening._pipe = ours  # pyright: ignore[reportPrivateUsage]
    try:
        listening.hear([(1.0, 1.0, 1.0)] * 256 * 17)
    finally:
        os.close(theirs)
        os.close(ours)
        listening._pipe = None  # pyright: ignore[reportPrivateUsage]
    assert listening.lost == 256
    assert said[1:] == ["sound: underruns 0, too late 0, lost on the way 256"]
    listening.heard(words | {"underruns": 2, "late": 7})
    assert len(said) == 2, "not twice in a second"
    now_s[0] += 1.1
    listening.heard(words | {"underruns": 2, "late": 9})
    assert said[2:] == ["sound: underruns 2, too late 9, lost on the way 256"]
    listening.heard(words | {"latency_ms": 66.0, "device_ms": 46.0, "underruns": 2, "late": 9})
    assert said[3:] == ["sound: Depot at 48000 Hz, 66 ms after the bang (46 ms of it the device's)"]
    assert listening.summary() == (
        "4087 of 4352 bangs heard, the last 66 ms after it was fired; "
        "underruns 2, too late 9, lost on the way 256"
    )


def test_a_device_that_asks_for_nothing_is_gone_by_looks_not_by_the_clock() -> None:
    """A computer that stood still for an hour looks once; a device that is away is looked for
    three seconds."""
    ear, said, now_s = Ear(RATE), list[dict[str, Any]](), [0.0]
    blocks = 40

    def receive(wait_s: float, data: bytes) -> bytes:
        nonlocal blocks
        now_s[0] += 3600.0 if blocks == 20 else 0.101
        blocks -= 1
        if blocks > 0:
            ear.play(np.zeros((BLOCK, 2), dtype=np.float32), now_s[0], AHEAD_S)
        assert blocks > -100, "it waits for ever"
        return data + RECORD.pack(now_s[0], 1.0, 1.0)

    with pytest.raises(DeviceGoneError, match="asks for nothing"):
        attend(ear, receive, lambda: now_s[0], said.append)
    assert -31 <= blocks <= -29
    assert {"latency_ms", "device_ms", "underruns", "late"} == set(said[0])


def test_a_stop_ends_the_sound_with_the_last_bang_that_was_fired() -> None:
    """A chord on two coils, and a stop in its middle: what is heard ends with what was fired, the
    latency later."""
    config = site([coil("Larkspur", "North", 1), coil("Foxglove", "North", 2)])
    virtual, ears, ear = armed(config), Ears(config.coil), Ear(RATE)
    for key in (60, 67):
        virtual.midi(INPUT, bytes((0x90, key, 100)))
    began_s = virtual.now_s
    virtual.run_for(0.3)
    virtual.stop()
    stop_s = virtual.now_s
    virtual.run_for(0.3)
    bangs = [b for n, p in virtual.take_pulses().items() for b in ears.bangs(n, p)]
    last_s = max(b[0] for b in bangs)
    assert began_s + 0.2 < last_s < stop_s + 0.01
    ear.arrived.extend(sorted(bangs))
    ear.latency_s = 0.03
    out = np.zeros((round(RATE * 0.8), 2), dtype=np.float32)
    for first in range(0, len(out) - BLOCK, BLOCK):
        ear.play(out[first : first + BLOCK], began_s + first / RATE, 0.0)
    loud_s = began_s + np.flatnonzero(np.abs(out).max(axis=1) > 1e-4) / RATE
    assert last_s + 0.03 - 0.001 < loud_s[-1] < last_s + 0.03 + 0.001


def test_pulses_of_simulated_coils_reach_the_process_and_a_site_without_any_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = site([coil("Larkspur", "North", 1), coil("Foxglove", "North", 2)])
    starts(monkeypatch, tmp_path, f"{DEVICE}; exec cat > {tmp_path}/heard")
    said: list[str] = []
    boards: Any = SimpleNamespace(boards={}, hear=None)

    async def listen_to() -> None:
        async with AsyncExitStack() as stack:
            assert await listen.listened_to(stack, config, boards, said.append) is None
            assert "no controller of this site is simulated" in said[0]
            boards.boards = {"North": object()}
            listening = await listen.listened_to(stack, config, boards, said.append)
            assert listening is not None
            await listening.ready()
            boards.hear("Foxglove", [TimedPulse(5.0, 90e-6, 0, 180), TimedPulse(5.1, 45e-6, 0, 90)])

    asyncio.run(listen_to())
    (first_s, left, right), (second_s, _, softer) = RECORD.iter_unpack(
        (tmp_path / "heard").read_bytes()
    )
    assert (first_s, second_s) == (5.0, 5.1)
    assert right > 3 * left, "Foxglove stands right"
    assert softer == pytest.approx(right / 2, rel=0.01), "by the square law: half the pressure"


def test_loudness_goes_as_the_root_of_the_bangs_energy_by_the_coils_own_curve() -> None:
    """Sound energy in proportion to the bang's (synthesis.py); the energy by the tank's physics."""
    one = coil_with_tank()
    curves = curves_of(one)
    assert curves is not None
    longest_us, ears = one.max_on_time_us, Ears([one])
    pulses = [TimedPulse(0.0, us * 1e-6, 0, 0) for us in (longest_us, longest_us / 2)]
    full, half = (left for _, left, _ in ears.bangs(one.name, pulses))
    energy = curves.energy_j(longest_us / 2) / curves.energy_j(longest_us)
    assert (half / full) ** 2 == pytest.approx(energy, rel=0.02)
    assert abs(half / full - 0.5) > 0.01, "it could not be told from the square law"


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
    assert re.fullmatch(
        r"sound: \d{3,} of \d{3,} bangs heard.* underruns \d+, too late \d+, lost on the way 0",
        told[-1],
    )
    samples, rate = cast(tuple[Any, int], soundfile.read(str(file)))  # pyright: ignore[reportUnknownMemberType]
    loud = np.flatnonzero(np.abs(samples[:, 0]) > 0.02)
    assert len(loud) > 1000, f"{len(samples)} frames {told}"
    step = rate // 4
    parts = [samples[loud[0] + n * step :][:step, 0] for n in range(1, 7)]
    cents = [
        1200 * math.log2(peak_hz(p, rate, 440.0) / 440.0) if p.std() > 0.001 else math.inf
        for p in parts  # a quarter in which the device heard nothing at all
    ]
    assert abs(statistics.median(cents)) < 3.0, f"{cents} {said}"
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
