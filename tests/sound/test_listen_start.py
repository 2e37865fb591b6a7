"""Before the device is open nothing is heard: who may wait for it does, and all else is told."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge import demo as demo_command
from bridge.config import load_config
from bridge.sound import listen, listen_process
from bridge.sound.ear import HAND_OVER_S, Ear
from bridge.sound.listen import Listening
from bridge.sound.listen_process import RECORD, attend
from tests.fake_audio import DEVICE, asks_once, starts

ROOT = Path(__file__).resolve().parents[2]
RATE, BLOCK = 48_000, 256
AHEAD_S = 2 * BLOCK / RATE
WORDS = {"latency_ms": 36.0, "device_ms": 16.0, "underruns": 0, "late": 0}


def test_a_demo_begins_when_its_device_is_open_and_every_pulse_reaches_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A device that takes a second and a half; the first note is the first thing of the piece."""
    starts(monkeypatch, tmp_path, f"sleep 1.5; {DEVICE}; exec cat > {tmp_path}/heard")
    piece = [(0.0, bytes((0x90, 69, 100))), (0.2, bytes((0x80, 69, 0)))]
    monkeypatch.setattr(demo_command.demo_piece, "piece", lambda: piece)
    monkeypatch.setattr(demo_command.demo_piece, "END_BEAT", 0)
    monkeypatch.setattr(demo_command, "TUNING_S", 0.6)
    said: list[str] = []
    config = load_config(ROOT / "configs" / "bench.toml")
    _, boards = asyncio.run(demo_command.play(config, said.append, listen=True))
    fired_s = sorted(p.start_s for pulses in boards.pulses.values() for p in pulses)
    got_s = sorted(s for s, _, _ in RECORD.iter_unpack((tmp_path / "heard").read_bytes()))
    assert len(fired_s) > 100
    assert got_s == fired_s


def test_a_piece_waits_ten_seconds_for_a_device_and_no_longer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listen, "READY_S", 0.2)
    said: list[str] = []

    async def wait(script: str) -> None:
        starts(monkeypatch, tmp_path, script)
        async with asyncio.timeout(20), Listening(said.append) as listening:
            await listening.ready()

    asyncio.run(wait("""echo '{"missing": "pulled out"}'; exec sleep 60"""))
    assert said == ["sound: NONE (pulled out): nothing is heard, all else goes on"]
    said.clear()
    asyncio.run(wait("exec cat > /dev/null"))
    assert said == ["sound: the device is not open after 0.2 s; it begins without"]


def test_what_is_fired_before_the_device_is_open_is_not_handed_over_and_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It would wait in the pipe, fill it, and be too late: its number has a name of its own."""
    monkeypatch.setattr(listen, "host_now", lambda: 50.0)
    said: list[str] = []
    listening = Listening(said.append)
    theirs, ours = os.pipe()
    os.set_blocking(ours, False)
    listening._pipe = ours  # pyright: ignore[reportPrivateUsage]
    try:
        listening.hear([(1.0, 1.0, 1.0)] * 10_000)
        assert not listening.lost + listening.bangs
        listening.heard({"rate": 48_000.0, "device": "Depot"})
        listening.hear([(2.0, 1.0, 1.0)] * 3)
        assert [s for s, _, _ in RECORD.iter_unpack(os.read(theirs, 65536))] == [2.0] * 3
    finally:
        os.close(theirs)
        os.close(ours)
        listening._pipe = None  # pyright: ignore[reportPrivateUsage]
    listening.heard(WORDS)
    counts = "underruns 0, too late 0, before the device was open 10000, lost on the way 0"
    assert said[1:] == [f"sound: {counts}"]
    assert listening.summary() == (
        f"3 of 10003 bangs heard, the last 36 ms after it was fired; {counts}"
    )


def test_the_latency_is_what_the_device_needs_before_the_first_bang_is_asked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It is told open with the word that makes the host hand bangs over."""
    asks_once(monkeypatch, now_s=5.0, dac_s=5.0 + AHEAD_S, rate=RATE, frames=BLOCK)
    monkeypatch.setattr(listen_process, "SETTLE_S", 0.0)
    made: list[Ear] = []
    at_the_word: list[float] = []
    monkeypatch.setattr(listen_process, "_say", lambda words: at_the_word.append(made[0].latency_s))
    listen_process._open(made)  # pyright: ignore[reportPrivateUsage]
    assert at_the_word == [pytest.approx(HAND_OVER_S + AHEAD_S + BLOCK / RATE)]


def test_bangs_that_a_device_never_asked_for_are_not_counted_as_heard() -> None:
    """It stands still at the end: the last four wait in vain."""
    ear, said, now_s = Ear(RATE), list[dict[str, Any]](), [100.0]
    ear.play(np.zeros((BLOCK, 2), dtype=np.float32), now_s[0], AHEAD_S)
    parts = [RECORD.pack(100.0, 1.0, 1.0), RECORD.pack(100.005, 1.0, 1.0) * 3]

    def receive(wait_s: float, data: bytes) -> bytes | None:
        now_s[0] += 0.005
        return parts.pop(0) if parts else None

    attend(ear, receive, lambda: now_s[0], said.append, lambda wait_s: None)
    assert [words["late"] for words in said] == [0, 4]
