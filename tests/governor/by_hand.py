"""Governors asked by hand, for tests."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.governor.governor import Governed, Governor
from tests.governor.stage import ask, coil

NOTE_HZ = {n: 440 * 2 ** ((n - 69) / 12) for n in range(24, 96)}  # ISO 16, MIDI 1.0
CHORD = [ask(i, NOTE_HZ[n], note=n) for i, n in enumerate((45, 52, 57, 61))]
ROOMY = {"max_break_rate_hz": 2000, "min_off_time_us": 100}


def governor(**changes: object) -> Governor:
    return Governor(coil(**changes), link_jitter_s=0.005)


def on_times(answer: Governed) -> dict[int, float]:
    return {v.voice_id: v.on_time_us for v in answer.voices}


def biggest_step(answers: Sequence[tuple[float, Governed]]) -> float:
    worst, before = 0.0, dict[int, float]()
    for _, answer in answers:
        now = on_times(answer)
        for voice, on_us in now.items():
            if voice in before:
                worst = max(worst, abs(on_us / before[voice] - 1))
        before = now
    return worst


def windows(*pairs: tuple[int, float]) -> list[dict[str, float]]:
    return [{"window_ms": w, "max_percent": p} for w, p in pairs]
