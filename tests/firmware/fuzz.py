"""Coverage-guided fuzzing of the whole core: `python -m tests.firmware.fuzz [seconds]`, or 20.

Builds host/fuzz.c with libFuzzer, ASan and UBSan (Debian: clang-14 libclang-rt-14-dev), begins with
the kept corpus and with long valid sessions made here, and ends with a message and the input that
broke something. `--keep` puts the minimised corpus back into tests/firmware/corpus.
"""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.firmware_protocol.make_vectors import VECTORS

from .library import build

CORPUS = Path(__file__).parent / "corpus"
LONGEST_INPUT = 1200
ALONE = 0x80
"""As an input's first byte: the rest is for the reader alone."""

# operations of host/fuzz.c
INPUTS, BREAK, RESET, PROVE, LIMITS, ARM, PLAY, SHORT, LONG = 1, 3, 4, 6, 7, 8, 10, 14, 15
"""SHORT: up to 255 ticks; LONG: 16 bits of 4 ticks each."""


def voices(make: random.Random, output: int) -> bytes:
    """An immediate frame of a full lease, mostly; slots of any length."""
    mask = make.choice((1, 3, 5, 15))
    lease = make.random() < 0.8
    pick = output | (mask << 2) | (0x40 if lease else 0) | 0x80
    flags = make.choice((1, 1, 1, 3))
    frame = bytes((PLAY, 0, flags, pick))
    if not lease:
        frame += make.randrange(1, 0x10000).to_bytes(2, "big")
    for _ in range(mask.bit_count()):
        frame += make.randrange(1 << 32).to_bytes(4, "big")
    return frame


def session(make: random.Random) -> bytes:
    """Proof, limits, arm with the right nonce, then frames and time, stops and new beginnings."""
    data = bytearray((make.randrange(16), PROVE))
    outputs = make.sample(range(4), make.choice((1, 1, 2, 3)))
    for output in outputs:
        choice = make.choice((0, 0, 0x155, 0x2AA, make.randrange(0x200)))
        data += bytes((LIMITS,)) + ((choice << 2 | output) & 0x7FF).to_bytes(2, "big")
    data.append(ARM)
    for _ in range(make.randrange(8, 40)):
        for output in outputs:
            data += voices(make, output)
        data += bytes((LONG,)) + make.randrange(500, 30_000).to_bytes(2, "big")
        if make.random() < 0.1:
            data += make.choice(
                (bytes((BREAK,)), bytes((INPUTS, 0xF4)), bytes((RESET, 2)), bytes((SHORT, 9)))
            )
            data += bytes((INPUTS, 0xF7, PROVE, ARM))
    return bytes(data[:LONGEST_INPUT])


def sessions(into: Path, count: int = 60) -> None:
    make = random.Random(20)
    for number in range(count):
        (into / f"session{number:02}").write_bytes(session(make))
    frames = json.loads((VECTORS / "frames.json").read_text(encoding="utf-8"))
    whole = b"".join(bytes.fromhex(one["wire"]) for one in frames)
    for number, more in enumerate((b"", bytes((255,)) * 140 + b"\0", bytes((4, 1, 1, 1)) * 40)):
        (into / f"wire{number}").write_bytes(
            bytes((ALONE,)) + whole[: 400 * number] + more + whole[:900]
        )


def run(
    program: Path, seconds: int, folder: Path, *, seed: int = 1
) -> subprocess.CompletedProcess[str]:
    """One run of the fuzzer in `folder`, which gets what is new; its own words in stderr."""
    made = folder / "made"
    made.mkdir()
    sessions(made)
    found = folder / "found"
    found.mkdir()
    command = [str(program), str(found), str(CORPUS), str(made), f"-max_total_time={seconds}"]
    command += [f"-seed={seed}", f"-max_len={LONGEST_INPUT}", "-timeout=20", "-rss_limit_mb=1500"]
    command += [f"-artifact_prefix={folder}/", "-print_final_stats=1"]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def keep(program: Path, folder: Path) -> None:
    """The smallest set of inputs that covers what all of them cover."""
    least = folder / "least"
    least.mkdir()
    sources = [str(folder / "found"), str(CORPUS), str(folder / "made")]
    command = [str(program), "-merge=1", f"-max_len={LONGEST_INPUT}", str(least), *sources]
    subprocess.run(command, capture_output=True, check=True)
    shutil.rmtree(CORPUS)
    shutil.copytree(least, CORPUS)


def main() -> int:
    seconds = next((int(a) for a in sys.argv[1:] if a.isdigit()), 20)
    CORPUS.mkdir(exist_ok=True)
    program = build("fuzz", "fuzz")
    with tempfile.TemporaryDirectory() as directory:
        folder = Path(directory)
        done = run(program, seconds, folder)
        print("\n".join(done.stderr.splitlines()[-14:]))
        if done.returncode:
            print(done.stderr[-6000:])
            for broken in folder.glob("crash-*"):
                shutil.copy(broken, "/tmp")
                print(f"input kept as /tmp/{broken.name}")
        elif "--keep" in sys.argv:
            keep(program, folder)
            size = sum(f.stat().st_size for f in CORPUS.iterdir())
            print(f"{len(list(CORPUS.iterdir()))} inputs, {size} bytes kept")
    return int(done.returncode != 0)


if __name__ == "__main__":
    sys.exit(main())
