"""Are the bench's tests any good? Plants faults in the port; a test must fail for each.

`python -m tests.bench.plant [number ...]`: by hand, takes minutes. Each plant (plants.py) changes
one place of the port in a copy and builds the image. The test that saw it when last looked at is
run against that, and only if it passes all of the image's tests. One that does not build, or
whose place is gone, is no kill and is told. The first run, without a plant, is the control: all
tests pass. Prints what failed first for each. `--sample N` takes N plants, drawn by a seed that
changes with the sources, and no control: the suite is one.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.bench.image_build import FIRMWARE
from tests.bench.plants import PLANTS, Plant

HERE = Path(__file__).parent
TESTS = tuple(
    f"test_image_{name}.py"
    for name in ("faults", "pulses", "stops", "line_stops", "wedges", "start", "load", "fair")
)


def image_with(plant: Plant | None, folder: Path) -> Path | str:
    """The planted image, or why there is none."""
    copy = folder / "firmware"
    shutil.copytree(FIRMWARE, copy, ignore=shutil.ignore_patterns("build"))
    if plant is not None:
        path = copy / "atmega2560" / plant.file
        source = path.read_text(encoding="utf-8")
        if source.count(plant.old) != 1:
            return f"its place is there {source.count(plant.old)} times in {plant.file}"
        path.write_text(source.replace(plant.old, plant.new), encoding="utf-8")
    elf = folder / "build" / "image" / "coilwarden.elf"
    command = ["make", "-s", "-C", str(copy), f"BUILD={folder / 'build'}", str(elf)]
    # without -Werror: something unused is no fault of the plant's
    done = subprocess.run(
        [*command, "IMAGE_EXTRA=-Wno-error -w"], capture_output=True, text=True, check=False
    )
    return elf if done.returncode == 0 else f"does not build:\n{done.stderr}"


def first_failure(elf: Path, *tests: str) -> str | None:
    """The first of these tests that fails against this image; None: all pass."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
    done = subprocess.run(
        command,
        env=os.environ | {"COILWARDEN_IMAGE": str(elf)},
        capture_output=True,
        text=True,
        check=False,
        timeout=900,
    )
    if done.returncode == 0:
        return None
    if done.returncode != 1:  # of pytest: some test failed
        raise RuntimeError(f"{tests}: not run:\n{done.stdout}{done.stderr}")
    found = re.search(r"^(?:FAILED|ERROR) \S*?(test_\w+\.py::.*)$", done.stdout, re.MULTILINE)
    return found.group(1) if found else (done.stdout + done.stderr)[-300:]


def killer(elf: Path, plant: Plant | None) -> str | None:
    """What fails against this image; None: nothing."""
    everything = [str(HERE / name) for name in TESTS]
    if plant is None:
        return first_failure(elf, *everything)
    file, test = plant.seen_by.split("::")
    likely = f"{HERE / ('test_image_' + file)}::test_{test}"
    return first_failure(elf, likely) or first_failure(elf, *everything)


def try_one(number: int) -> bool:
    """Plants one (-1: none) and says what came of it. True: as it must be."""
    plant = PLANTS[number] if number >= 0 else None
    name = plant.what if plant else "control, nothing planted"
    with tempfile.TemporaryDirectory() as folder:
        elf = image_with(plant, Path(folder))
        if isinstance(elf, str):
            print(f"{number} {name}: NO PLANT: {elf}", flush=True)
            return False
        seen = killer(elf, plant)
    fine = (seen is None) == (plant is None)
    print(f"{number} {name}: {seen or ('passes' if fine else 'NOT SEEN')}", flush=True)
    return fine


def drawn(count: int) -> list[int]:
    """Plants drawn by a seed that changes with the sources of the port."""
    sources = sorted((FIRMWARE / "atmega2560").glob("*.[ch]"))
    seed = hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:8]
    print(f"{count} plants of {len(PLANTS)}, seed {seed}")
    return random.Random(seed).sample(range(len(PLANTS)), count)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else None)
    parser.add_argument("numbers", nargs="*", type=int, help="of plants.PLANTS; -1: the control")
    parser.add_argument("--sample", type=int, help="so many of them, drawn by chance")
    asked = parser.parse_args()
    numbers = drawn(asked.sample) if asked.sample else asked.numbers
    missed = [n for n in numbers or range(-1, len(PLANTS)) if not try_one(n)]
    print(f"not as they must be: {missed or 'none'}")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
