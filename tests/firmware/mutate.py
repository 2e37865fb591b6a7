"""Are the tests any good? Breaks guard and interlock, place after place; a test must fail.

`python -m tests.firmware.mutate [file ...]`: every mutant (mutants.py) of guard and interlock, or
of the files of core/ that are named. The fast tests meet each (mutant_trial.py), those first that
kill most for their time. A mutant that does not build is no kill; the control, the same without a
mutation, must pass all of them.

What survives needs a test, or its sentence in equivalent.toml: why no test could tell it from what
it was made of. An entry there that names no mutant, or one that is killed, is an error.
`--sample N` takes N of those without an entry, drawn by a seed that changes with the sources. Needs
gcc.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pytest

from .library import FIRMWARE
from .mutant_trial import (
    DURATIONS,
    KILLED,
    NOT_BUILT,
    SURVIVED,
    Trials,
    Workshop,
    outcome_of,
)
from .mutants import Mutant, mutants

CORE = FIRMWARE / "core"
HERE = Path(__file__).parent
FILES = (
    *("ticks.h", "window.h", "window.c", "guard.c", "limits.h", "limits.c"),
    *("inputs.c", "nonce.c", "permission.h", "permission.c", "setup.c", "trip.c"),
)
"""The guard; the interlock."""
EXPLAINED = HERE / "equivalent.toml"
TESTS = (
    *("test_window.py", "test_guard.py", "test_guard_windows.py", "test_limits.py"),
    *("test_inputs.py", "test_arming.py", "test_interlock.py", "test_interlock_reset.py"),
    "test_vectors.py",
    "test_port.py::test_what_cannot_be_withdrawn_any_more_is_counted_as_fired",
)
Key = tuple[str, str, str, str, int]


def explained(path: Path = EXPLAINED) -> dict[Key, str]:
    """Why each mutant is equivalent. Raises ValueError for an entry that is twice there."""
    entries = tomllib.loads(path.read_text(encoding="utf-8"))["equivalent"]
    found: dict[Key, str] = {}
    for entry in entries:
        places = ("file", "function", "before", "after")
        key: Key = (*(entry[place] for place in places), entry.get("nth", 1))  # type: ignore[assignment]
        if key in found:
            raise ValueError(f"{path}: explained twice: {key}")
        found[key] = entry["why"]
    return found


def key_text(key: Key) -> str:
    file, function, before, after, nth = key
    return f"{file} {function}: {before}  ->  {after}{f' (no. {nth})' if nth > 1 else ''}"


class Mutation(Trials):
    """The parent's side: instead of running what was collected, tries it on the mutants."""

    def __init__(self, wanted: Sequence[Mutant], reasons: dict[Key, str], jobs: int) -> None:
        super().__init__()
        self.wanted = wanted
        self.reasons = reasons
        self.jobs = jobs
        self.wrong: list[str] = []
        self.counts: Counter[int] = Counter()
        self.kills: Counter[str] = Counter()

    def pytest_collection(self) -> None:
        """The same examples each time, and no time spent on finding the smallest."""
        from hypothesis import Phase, settings  # noqa: PLC0415 (pytest rewrites it before)

        phases = (Phase.explicit, Phase.generate)
        settings.register_profile("mutate", derandomize=True, database=None, phases=phases)
        settings.load_profile("mutate")

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        with tempfile.TemporaryDirectory() as directory:
            self._run(session.items, Path(directory))
        return True

    def _run(self, items: Sequence[pytest.Item], directory: Path) -> None:
        shop = Workshop(directory)
        if self.control(items, shop.build_control(), directory) != SURVIVED:
            self._say_wrong(f"the control, without a mutation, fails: {killer_in(directory)}")
            return
        seconds = json.loads((directory / DURATIONS).read_text(encoding="utf-8"))
        cost = dict(zip(items, seconds, strict=True))
        running: dict[int, tuple[Mutant, Path]] = {}
        waiting = list(reversed(self.wanted))
        while waiting or running:
            if waiting and len(running) < self.jobs:
                mutant = waiting.pop()
                place = directory / str(len(waiting))
                allowed = [(item, 3.0 + 10.0 * cost[item]) for item in self._order(cost)]
                running[self.start(mutant, allowed, shop, place)] = mutant, place
            else:
                process, status = os.wait()
                mutant, place = running.pop(process)
                self._note(mutant, outcome_of(status), place)
                shutil.rmtree(place)

    def _order(self, cost: dict[pytest.Item, float]) -> list[pytest.Item]:
        """Those that killed most for their time, first."""
        worth = {item: (1 + self.kills[item.nodeid]) / (0.002 + cost[item]) for item in cost}
        return sorted(cost, key=lambda item: worth[item], reverse=True)

    def _note(self, mutant: Mutant, outcome: int, place: Path) -> None:
        self.counts[outcome] += 1
        is_explained = mutant.key in self.reasons
        if outcome == KILLED:
            killer = killer_in(place)
            self.kills[killer] += 1
            if is_explained:
                self._say_wrong(f"explained as equivalent, but {killer} kills it: {mutant}")
        elif outcome == SURVIVED and not is_explained:
            self._say_wrong(f"survived: {mutant}")
        elif outcome == NOT_BUILT and is_explained:
            self._say_wrong(f"explained as equivalent, but it does not build: {mutant}")

    def _say_wrong(self, what: str) -> None:
        self.wrong.append(what)
        print(what, flush=True)


def killer_in(place: Path) -> str:
    path = place / "killer"
    return path.read_text(encoding="utf-8") if path.exists() else "a crash"


def all_mutants(files: Sequence[str]) -> list[Mutant]:
    """Of these files of core/."""
    return [m for f in files for m in mutants(f, (CORE / f).read_text(encoding="utf-8"))]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else None)
    parser.add_argument("files", nargs="*", default=FILES)
    parser.add_argument("--sample", type=int, help="so many of them, drawn by chance")
    parser.add_argument("--seed", help="of the sample (from the sources if it is left out)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--kills", action="store_true", help="how many each test killed")
    asked = parser.parse_args()

    every = all_mutants(asked.files)
    reasons = explained()
    known = {mutant.key for mutant in every}
    stale = [key for key in reasons if key[0] in asked.files and key not in known]
    for key in stale:
        print("explained as equivalent, but there is no such mutant:", key_text(key))
    wanted = every
    if asked.sample is not None:
        whole = "\n".join(map(str, every))
        seed = asked.seed or hashlib.sha256(whole.encode()).hexdigest()[:8]
        print(f"{asked.sample} mutants of {len(every)}, --seed {seed}")
        unexplained = [mutant for mutant in every if mutant.key not in reasons]
        wanted = random.Random(seed).sample(unexplained, min(asked.sample, len(unexplained)))

    plugin = Mutation(wanted, reasons, asked.jobs)
    tests = [str(HERE / name) for name in TESTS]
    options = [
        "-s",
        "-q",
        "--no-summary",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:faulthandler",
        "--rootdir",
    ]
    done = pytest.main([*options, str(HERE.parents[1]), *tests], plugins=[plugin])
    print(
        f"{len(wanted)} mutants: {plugin.counts[KILLED]} killed, {plugin.counts[SURVIVED]} survived"
        f" ({len(reasons)} explained), {plugin.counts[NOT_BUILT]} not built"
    )
    if asked.kills:
        for name, kills in plugin.kills.most_common():
            print(f"{kills:5} {name}")
    return int(bool(done or stale or plugin.wrong))


if __name__ == "__main__":
    sys.exit(main())
