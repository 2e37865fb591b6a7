"""Writes the scores of configs/lantern-show: a round for two coils, and a bass line under audio.

.venv/bin/python tests/show/make_demo.py          # the scores
.venv/bin/python tests/show/make_demo.py audio    # and the backing audio, which is not kept
"""

from __future__ import annotations

import math
import struct
import sys
import wave
from pathlib import Path

import mido

FOLDER = Path(__file__).resolve().parents[2] / "configs" / "lantern-show"
ROUND = (57, 60, 64, 65, 64, 60, 59, 55, 57, 64, 69, 67, 65, 64, 60, 57)
BASS = (33, 33, 40, 38)


def voice(channel: int, keys: tuple[int, ...], ticks: int, late: int) -> mido.MidiTrack:
    track = mido.MidiTrack()
    for index, key in enumerate(keys):
        wait = late if index == 0 else ticks // 8
        track.append(mido.Message("note_on", channel=channel, note=key, velocity=90, time=wait))
        off = ticks - ticks // 8
        track.append(mido.Message("note_off", channel=channel, note=key, time=off))
    return track


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for name, tracks in (
        ("round.mid", [voice(0, ROUND, 240, 0), voice(2, ROUND, 240, 960)]),
        ("lamps.mid", [voice(2, BASS * 4, 480, 0)]),
    ):
        file = mido.MidiFile(type=1, ticks_per_beat=480)
        head = mido.MidiTrack()
        head.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(108)))
        head.append(mido.MetaMessage("time_signature", numerator=4, denominator=4))
        file.tracks.extend([head, *tracks])
        file.save(FOLDER / name)
    if "audio" in sys.argv[1:]:
        rate, seconds = 48_000, 10
        with wave.open(str(FOLDER / "lamps.wav"), "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(rate)
            for frame in range(rate * seconds):
                beat = frame / rate * 108 / 60 % 1
                loud = 6000 * math.exp(-8 * beat)
                out.writeframesraw(
                    struct.pack("<h", int(loud * math.sin(2 * math.pi * 880 * frame / rate)))
                )


if __name__ == "__main__":
    main()
