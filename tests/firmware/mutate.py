"""Are the tests any good? Breaks guard and interlock in one place after another; a test must fail.

`python tests/firmware/mutate.py [file.c ...]` (guard, window, permission, inputs, nonce and
limits unless files are named). Mutates comparisons, boundary constants, negations, arithmetic and
logical operators, one at a time, in a copy of the firmware; builds it; runs the fast tests against
it. A mutant that does not build is no kill; a first run without any mutation is the control. Prints
the survivors, each to be killed by a new test or explained as equivalent. Needs gcc and make.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "firmware_protocol" / "firmware"
FILES = ("guard.c", "window.c", "permission.c", "inputs.c", "nonce.c", "limits.c")
TESTS = ("test_guard.py", "test_interlock.py", "test_vectors.py", "test_hostile.py", "test_port.py")
SWAPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (r"(?<![<>=!-])<(?![<=])", ("<=",)),
    (r"<=", ("<",)),
    (r"(?<![->])>(?![>=])", (">=",)),
    (r">=", (">",)),
    (r"==", ("!=",)),
    (r"!=", ("==",)),
    (r"&&", ("||",)),
    (r"\|\|", ("&&",)),
    (r"!(?=[a-z(])", ("",)),
    (r"(?<= )\+(?= )", ("-",)),
    (r"(?<= )-(?= )", ("+",)),
    (r"\btrue\b", ("false",)),
    (r"\bfalse\b", ("true",)),
    (r"\b([1-9]\d*)U\b", ("PLUS",)),
    (r"\b0U\b", ("1U",)),
    (r"is_before", ("is_due",)),
)


def mutants(source: str) -> list[tuple[int, str, str]]:
    """(line number, what, whole mutated source) of each mutation."""
    found: list[tuple[int, str, str]] = []
    lines = source.split("\n")
    for number, line in enumerate(lines):
        code = line.split("/*")[0]
        if not code.startswith((" ", "#define")) or code.strip().startswith("*"):
            continue
        for pattern, replacements in SWAPS:
            for match in re.finditer(pattern, code):
                for new in replacements:
                    text = f"{int(match.group(1)) + 1}U" if new == "PLUS" else new
                    changed = line[: match.start()] + text + line[match.end() :]
                    whole = "\n".join([*lines[:number], changed, *lines[number + 1 :]])
                    found.append((number + 1, f"{line.strip()}  ->  {changed.strip()}", whole))
    return found


def built(copy: Path) -> bool:
    # Without -Werror: an unused variable is no compile error of the mutant's.
    library = copy / "build" / "libcoilwarden_core.so"
    library.parent.mkdir(exist_ok=True)
    sources = [*sorted(copy.glob("core/*.c")), copy / "host" / "host.c", copy / "host" / "timers.c"]
    command = ["gcc", "-std=c99", "-w", "-O0", "-fPIC", "-shared", "-o", str(library)]
    return limited([*command, *map(str, sources)], dict(os.environ), 30.0) == 0


def limited(command: list[str], environment: dict[str, str], seconds: float) -> int | None:
    """Runs in a process group of its own, which ends with it; None: it took too long."""
    process = subprocess.Popen(
        command,
        env=environment,
        cwd=HERE.parents[1],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        return process.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        return None
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def killed(copy: Path) -> bool:
    tests = [str(HERE / name) for name in TESTS]
    environment = os.environ | {
        "COILWARDEN_CORE": str(copy / "build" / "libcoilwarden_core.so"),
        "HYPOTHESIS_STORAGE_DIRECTORY": str(copy / "hypothesis"),
    }
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
    return limited(command, environment, 120.0) != 0  # an endless mutant is a killed one


def main() -> int:
    survivors: list[str] = []
    counts = {"killed": 0, "survived": 0, "not built": 0}
    with tempfile.TemporaryDirectory() as directory:
        copy = Path(directory) / "firmware"
        shutil.copytree(FIRMWARE, copy, ignore=shutil.ignore_patterns("build"))
        if not built(copy) or killed(copy):
            print("the control, without a mutation, fails")
            return 2
        for name in sys.argv[1:] or FILES:
            path = copy / "core" / name
            source = path.read_text(encoding="utf-8")
            for number, what, mutated in mutants(source):
                path.write_text(mutated, encoding="utf-8")
                if not built(copy):
                    counts["not built"] += 1
                elif killed(copy):
                    counts["killed"] += 1
                else:
                    counts["survived"] += 1
                    survivors.append(f"{name}:{number}: {what}")
                    print("survived:", survivors[-1], flush=True)
            path.write_text(source, encoding="utf-8")
    print(counts)
    return int(bool(survivors))


if __name__ == "__main__":
    sys.exit(main())
