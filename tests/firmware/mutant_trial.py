"""One mutant at a time against the tests: built in a folder of its own, tried in a forked child.

The tests are collected once, in the parent; each child loads its own library and runs them one
after another until one fails. A crash and an endless loop are failures too.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

import pytest

from .library import FIRMWARE, library
from .mutants import Mutant

COMPILER = ("gcc", "-std=c99", "-w", "-O0", "-fPIC")
TRAPS = ("-fsanitize=bounds-strict", "-fsanitize-undefined-trap-on-error")
"""An index beyond its array ends the process: on a board it would spoil what lies there."""
MOST_BYTES = 2**30
SURVIVED, KILLED, NOT_BUILT = 0, 1, 2
DURATIONS = "durations.json"


def compile_c(source: Path, made: Path) -> bool:
    command = [*COMPILER, *TRAPS, "-c", str(source), "-o", str(made)]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def link(objects: Sequence[Path], made: Path) -> bool:
    command = [*COMPILER, *TRAPS, "-shared", "-o", str(made), *map(str, objects)]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def sources(firmware: Path) -> list[Path]:
    """Of the core and of its port to the host, without the fuzzer."""
    found = [*sorted(firmware.glob("core/*.c")), *sorted(firmware.glob("host/*.c"))]
    return [path for path in found if not path.name.startswith("fuzz")]


def tree(directory: Path, mutant: Mutant) -> Path:
    """The firmware with one file changed, everything else linked to."""
    for part in ("core", "host"):
        (directory / part).mkdir(parents=True)
        for path in (FIRMWARE / part).glob("*.[ch]"):
            if path.name != mutant.file:
                (directory / part / path.name).symlink_to(path)
    changed = directory / "core" / mutant.file
    changed.write_text(mutant.source, encoding="utf-8")
    return changed


@dataclass
class Workshop:
    """Builds the control and the mutants under `directory`; keeps the control's objects."""

    directory: Path
    objects: dict[str, Path] = field(default_factory=dict[str, Path])

    def build_control(self) -> Path:
        """Raises RuntimeError."""
        for source in sources(FIRMWARE):
            made = self.directory / f"{source.parent.name}-{source.stem}.o"
            self.objects[f"{source.parent.name}/{source.name}"] = made
            if not compile_c(source, made):
                raise RuntimeError(f"{source} does not build")
        made = self.directory / "control.so"
        if not link(list(self.objects.values()), made):
            raise RuntimeError("the control does not link")
        return made

    def build(self, mutant: Mutant, directory: Path) -> Path | None:
        """None if it does not build. A header changes every object."""
        changed = tree(directory, mutant)
        fresh = [changed] if changed.suffix == ".c" else sources(directory)
        objects = dict(self.objects)
        for source in fresh:
            made = directory / f"{source.parent.name}-{source.stem}.o"
            objects[f"{source.parent.name}/{source.name}"] = made
            if not compile_c(source, made):
                return None
        made = directory / "mutant.so"
        return made if link(list(objects.values()), made) else None


class Trials:
    """A pytest plugin that tries libraries with the items it was given; the children's side."""

    def __init__(self) -> None:
        self.failed = False

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.failed = self.failed or report.failed

    def control(self, items: Sequence[pytest.Item], made: Path, directory: Path) -> int:
        """SURVIVED if all pass; the processor time of each, in seconds, is left in DURATIONS."""
        seconds: list[float] = []

        def child() -> int:
            for item in items:
                begun = time.process_time()
                if self._fails(item, 120.0):
                    (directory / "killer").write_text(item.nodeid, encoding="utf-8")
                    return KILLED
                seconds.append(time.process_time() - begun)
            (directory / DURATIONS).write_text(json.dumps(seconds), encoding="utf-8")
            return SURVIVED

        return outcome_of(os.waitpid(self._fork(child, made), 0)[1])

    def start(
        self,
        mutant: Mutant,
        items: Sequence[tuple[pytest.Item, float]],
        shop: Workshop,
        place: Path,
    ) -> int:
        """The process that builds `mutant` in `place` and tries it; writes the name of its killer.

        With each item: how many seconds of processor time it may take.
        """

        def child() -> int:
            made = shop.build(mutant, place)
            if made is None:
                return NOT_BUILT
            self._load(made)
            for item, seconds in items:
                (place / "killer").write_text(item.nodeid, encoding="utf-8")
                if self._fails(item, seconds):
                    return KILLED
            return SURVIVED

        return self._fork(child)

    def _fork(self, child: Callable[[], int], made: Path | None = None) -> int:
        process = os.fork()
        if not process:
            self._in_child(child, made)
        return process

    def _in_child(self, child: Callable[[], int], made: Path | None) -> NoReturn:
        """Whatever happens, nothing of the parent's goes on here."""
        outcome = KILLED
        try:
            nothing = os.open(os.devnull, os.O_RDWR)
            for descriptor in range(3):
                os.dup2(nothing, descriptor)
            resource.setrlimit(resource.RLIMIT_DATA, (MOST_BYTES, MOST_BYTES))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            if made is not None:
                self._load(made)
            outcome = child()
        finally:
            os._exit(outcome)

    def _load(self, made: Path) -> None:
        os.environ["COILWARDEN_CORE"] = str(made)
        library.cache_clear()
        library()

    def _fails(self, item: pytest.Item, seconds: float) -> bool:
        """An endless loop in C never comes back to Python: the signal ends the process."""
        signal.signal(signal.SIGPROF, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_PROF, seconds)
        item.ihook.pytest_runtest_protocol(item=item, nextitem=None)
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        return self.failed


def outcome_of(status: int) -> int:
    """Of a child's wait status: what a signal ended was killed."""
    return os.waitstatus_to_exitcode(status) if os.WIFEXITED(status) else KILLED
