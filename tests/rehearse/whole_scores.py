"""Long real scores rehearsed whole and judged; and how fast a rehearsal is. Prints, by hand:

    PYTHONPATH=. .venv/bin/python tests/rehearse/whole_scores.py [CONFIG] [SCORE.mid ...]

For each score: its length over the processor time of the rehearsal alone, and of reading the file
alone. Without arguments it takes what the music21 package carries (a whole movement among them),
on both example sites, and judges the pulses as test_real_scores.py does. Minutes.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from bridge.config import Config, load_config
from bridge.rehearse.run import perform
from bridge.show.score_file import read_score
from tests.rehearse.test_real_scores import ROOT, judge, music21_folder

LONG = (
    "omr/k525MIDIMvt1.mid",
    "midi/testPrimitive/test03.mid",
    "midi/testPrimitive/test04.mid",
    "midi/testPrimitive/test09.mid",
)
SITES = ("lantern-night.toml", "bench.toml")


def timed(config: Config, path: Path) -> str:
    """A line: how fast, against real time and against reading the file."""
    begin_s = time.process_time()
    score = read_score(path)
    read_s = time.process_time() - begin_s
    begin_s = time.process_time()
    performed = perform(config, score)
    took_s = time.process_time() - begin_s
    bangs = sum(len(p) for p in performed.pulses.values())
    return (
        f"{path.name}: {score.duration_s:.0f} s of music, {len(score.events)} messages, "
        f"{bangs} bangs: {took_s:.2f} s of processor, "
        f"{score.duration_s / took_s:.0f} x real time; reading alone {read_s:.2f} s, "
        f"{took_s / read_s:.0f} times less"
    )


def main() -> None:
    if len(sys.argv) > 2:
        for name in sys.argv[2:]:
            print(timed(load_config(Path(sys.argv[1])), Path(name)), flush=True)
        return
    for site in SITES:
        for name in LONG:
            print(site, timed(load_config(ROOT / "configs" / site), music21_folder() / name))
            with tempfile.TemporaryDirectory() as folder:
                judge(site, name, Path(folder))
            print("  judged: no limit broken, counts agree", flush=True)


if __name__ == "__main__":
    main()
