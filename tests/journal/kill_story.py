"""A journal's writer that is fed until it is killed.

    python -m tests.journal.kill_story FOLDER SEED

Forks children, ten at a time; each feeds a writer some 2,000 events a second (and a flood of them
now and then), tells in a shared page which number it handed over last and when, and is killed with
SIGKILL at a random moment. Prints a line of JSON for each: its folder, that number and that time.
"""

from __future__ import annotations

import json
import mmap
import os
import random
import signal
import struct
import sys
import time
from pathlib import Path

from bridge.host_clock import host_now
from bridge.journal.codec import pack_note
from bridge.journal.values import Noted
from bridge.journal.writer import Writer

KILLS = 50
TOGETHER = 10
LIVES_S = ((0.02, 0.3), (0.3, 1.0), (0.3, 1.0), (0.3, 1.0))
"""Some die while the file is made, most after a batch or several."""
PAGE = struct.Struct("<qd")


def feed(folder: Path, page: mmap.mmap, seed: int) -> None:
    """Never returns."""
    rnd = random.Random(seed)
    about = {
        "run": "x", "began_s": repr(host_now()), "began_day_s": repr(time.time()),
        "config_used": "", "latch": "", "source": "",
    }  # fmt: skip
    writer = Writer(folder, "site", "site.20260101-000000-1", 10_000_000, lambda: about)
    writer.start()
    number = 0
    while True:
        for _ in range(rnd.choice((1, 1, 1, 1, 400))):
            at_s = host_now()
            text = f"{number} " + "x" * rnd.randrange(60)
            writer.put(at_s, pack_note(Noted(at_s, "feeder", text)))
            PAGE.pack_into(page, 0, number, at_s)
            number += 1
        time.sleep(0.0005)


def begin(folder: Path, seed: int) -> tuple[int, mmap.mmap]:
    """The child and the page it writes in."""
    page = mmap.mmap(-1, 4096)
    PAGE.pack_into(page, 0, -1, 0.0)
    child = os.fork()
    if child == 0:
        try:
            feed(folder, page, seed)
        finally:
            os._exit(1)
    return child, page


def end(folder: Path, child: int, page: mmap.mmap) -> dict[str, object]:
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    number, last_s = PAGE.unpack_from(page, 0)
    return {
        "folder": str(folder),
        "killed": os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL,
        "last": number,
        "last_s": last_s,
    }


def main(folder: Path) -> None:
    rnd = random.Random(7)
    for group in range(0, KILLS, TOGETHER):
        places = [folder / f"{seed:02d}" for seed in range(group, group + TOGETHER)]
        children: list[tuple[float, Path, int, mmap.mmap]] = []
        for seed, place in enumerate(places, start=group):
            place.mkdir()
            dies_s = time.monotonic() + rnd.uniform(*rnd.choice(LIVES_S))
            children.append((dies_s, place, *begin(place, seed)))
        for dies_s, place, child, page in sorted(children, key=lambda one: one[0]):
            time.sleep(max(0.0, dies_s - time.monotonic()))
            print(json.dumps(end(place, child, page)), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
