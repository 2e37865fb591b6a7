"""How fast a rehearsal is, against real time and against reading the file alone. Prints, by hand:

    .venv/bin/python -m tests.rehearse.bench [CONFIG] [SCORE.mid ...]

Without arguments: our demo piece over and over for four minutes, and what the music21 package
carries, on both example sites. Processor time of this process, the least of three; the machine
and its load are printed with it, for on shared processors both count.
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mido

from bridge import demo_piece
from bridge.config import Config, load_config
from bridge.rehearse.command import suggested
from bridge.rehearse.result import result_of
from bridge.rehearse.run import perform
from bridge.show.score_file import read_score
from tests.rehearse.test_real_scores import ROOT, music21_folder
from tests.rehearse.whole_scores import LONG, SITES

TIMES = 3
PIECE_S = 239.0
AIM = 500.0
"""Times real time (the aim for a piece of four minutes on two coils)."""
_TICKS_PER_S = 1920


def demo_file(path: Path, least_s: float = PIECE_S) -> None:
    """Our demo piece as a file, begun anew until so long has passed."""
    piece = demo_piece.piece()
    length_s = piece[-1][0] + demo_piece.BEAT_S
    file = mido.MidiFile(ticks_per_beat=_TICKS_PER_S // 2)
    track = mido.MidiTrack()
    last = round_number = 0
    while round_number * length_s < least_s:
        for at_s, message in piece:
            tick = round((round_number * length_s + at_s) * _TICKS_PER_S)
            track.append(mido.Message.from_bytes(message, time=tick - last))
            last = tick
        round_number += 1
    file.tracks.append(track)
    file.save(str(path))


def _least(what: Callable[[], Any]) -> tuple[float, Any]:
    """Processor seconds, the least of TIMES; and what it gave."""
    found: Any = None
    took: list[float] = []
    for _ in range(TIMES):
        begin_s = time.process_time()
        found = what()
        took.append(time.process_time() - begin_s)
    return min(took), found


def _nobody_looks(share: float) -> None:
    pass


def timed(config: Config, path: Path) -> str:
    """A line: how fast, against real time and against reading the file."""
    read_s, score = _least(lambda: read_score(path))
    played_s, performed = _least(lambda: perform(config, score))
    told_s, _ = _least(lambda: result_of(performed, path.name))
    searched_s, _ = _least(lambda: suggested(config, score, performed, lambda name: _nobody_looks))
    bangs = sum(len(p) for p in performed.pulses.values())
    whole_s = played_s + told_s
    return (
        f"{path.name}: {score.duration_s:.0f} s of music, {len(score.events)} messages, "
        f"{bangs} bangs: {played_s:.2f} s played, {told_s:.2f} s told of it, "
        f"{score.duration_s / whole_s:.0f} x real time (aim: {AIM:.0f}); "
        f"reading alone {read_s:.3f} s, {whole_s / read_s:.0f} times less; "
        f"{searched_s:.2f} s more to look for a better routing"
    )


def main() -> None:
    load = ", ".join(f"{x:.1f}" for x in os.getloadavg())
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, load {load}")
    if len(sys.argv) > 2:
        for name in sys.argv[2:]:
            print(timed(load_config(Path(sys.argv[1])), Path(name)), flush=True)
        return
    with tempfile.TemporaryDirectory() as folder:
        demo = Path(folder) / "demo-4-minutes.mid"
        demo_file(demo)
        for site in SITES:
            config = load_config(ROOT / "configs" / site)
            for path in (demo, *(music21_folder() / name for name in LONG)):
                print(site, timed(config, path), flush=True)


if __name__ == "__main__":
    main()
