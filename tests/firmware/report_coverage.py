"""Line coverage of the C core by tests/firmware: `python tests/firmware/report_coverage.py`.

Builds the core with gcov counters, runs the tests against that build, prints a table and what was
missed, and fails where the guard or the interlock is below 100 % or the whole below 95 %.
Needs gcc (with gcov) and make.
"""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "firmware_protocol" / "firmware"
BUILD = FIRMWARE / "build" / "coverage"
WHOLE = {
    "guard.c",
    "window.c",
    "limits.c",
    "permission.c",
    "inputs.c",
    "nonce.c",
    "setup.c",
    "trip.c",
}
"""Guard and interlock: every line."""
LEAST_PERCENT = 95.0
LEFT_OUT = ("test_differential.py", "test_page.py", "test_mutants.py")
"""They take long, and reach hardly a line that the others do not."""


def run_tests() -> int:
    for old in BUILD.glob("*.gcda"):
        old.unlink()
    subprocess.run(["make", "-s", "-C", str(FIRMWARE), "coverage"], check=True)
    core = BUILD / "libcoilwarden_core.so"
    tests = [str(path) for path in HERE.glob("test_*.py") if path.name not in LEFT_OUT]
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n", "2", "-p", "no:cacheprovider", *tests],
        env=os.environ | {"COILWARDEN_CORE": str(core)},
        cwd=HERE.parents[1],
        check=False,
    ).returncode


def lines_of(source: str) -> dict[int, int]:
    """How often each line of core/`source` ran."""
    stem = source.removesuffix(".c")
    with tempfile.TemporaryDirectory() as directory:
        subprocess.run(
            ["gcov", "--json-format", str(BUILD / f"{stem}.o")],
            cwd=directory,
            check=True,
            capture_output=True,
        )
        (report,) = Path(directory).glob("*.gcov.json.gz")
        data = json.loads(gzip.decompress(report.read_bytes()))
    counts: dict[int, int] = {}
    for file in data["files"]:
        if file["file"].endswith(f"core/{source}"):
            for line in file["lines"]:
                number = line["line_number"]
                counts[number] = counts.get(number, 0) + line["count"]
    return counts


def main() -> int:
    failed = run_tests()
    total = covered = 0
    for path in sorted((FIRMWARE / "core").glob("*.c")):
        counts = lines_of(path.name)
        missed = [number for number, count in sorted(counts.items()) if not count]
        total += len(counts)
        covered += len(counts) - len(missed)
        percent = 100.0 * (len(counts) - len(missed)) / len(counts)
        print(f"{path.name:14} {len(counts):4} lines {percent:6.1f} %  missed: {missed or 'none'}")
        if path.name in WHOLE and missed:
            failed = 1
    print(f"{'core':14} {total:4} lines {100.0 * covered / total:6.1f} %")
    return failed or int(100.0 * covered / total < LEAST_PERCENT)


if __name__ == "__main__":
    sys.exit(main())
