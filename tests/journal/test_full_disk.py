"""A full disk, and a small tmpfs that really is one: the music goes on, the record says so."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
SIZE_MB = 1


def on_small_disk(folder: Path, most_waiting: int) -> dict[str, Any]:
    """The story on a tmpfs of its own, in a mount namespace that ends with it."""
    disk, state = folder / "disk", folder / "state"
    disk.mkdir()
    state.mkdir()
    program = f"{sys.executable} -m tests.journal.full_disk_story {disk} {state} {most_waiting}"
    script = f"mount -t tmpfs -o size={SIZE_MB}m tmpfs {disk} && exec {program}"
    # Root needs no user namespace (which many machines forbid): a private mount namespace will do.
    unshare = ["unshare", "-m"] if os.geteuid() == 0 else ["unshare", "-rm"]
    probe = [*unshare, "mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)]
    if (
        shutil.which("unshare") is None
        or subprocess.run(probe, check=False, capture_output=True).returncode
    ):
        pytest.skip("no tmpfs can be mounted here: run this as root, or allow user namespaces")
    done = subprocess.run(
        [*unshare, "sh", "-c", script],
        check=False, capture_output=True, text=True, cwd=ROOT, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout)


@pytest.mark.real
def test_a_full_disk_stops_the_record_and_not_the_music(tmp_path: Path) -> None:
    found = on_small_disk(tmp_path, 100_000)
    assert found["filler"] == "No space left on device"
    assert "full" in found["problem"] or "disk I/O error" in found["problem"]
    assert found["recording while full"] is False
    assert found["state while full"] == "armed"
    assert found["pulses while full"] > 50
    stopped, goes_on = found["said"]
    assert stopped.startswith("the record has stopped, the music goes on: ")
    assert "the record goes on in " in goes_on
    assert goes_on.endswith("; nothing is missing in it")
    # What waited meanwhile was written after all: the whole run, frame by frame.
    assert found["lost"] == 0
    assert found["same"] is True, found["difference"]
    assert found["writes"] > 100


@pytest.mark.real
def test_what_cannot_wait_is_counted_where_it_is_missing(tmp_path: Path) -> None:
    found = on_small_disk(tmp_path, 100)
    assert found["state while full"] == "armed"
    assert found["lost"] > 20
    assert found["missing in the file"] == found["lost"]
    said = re.search(r"; (\d+) things are missing in it$", found["said"][1])
    assert said is not None
    assert 0 < int(said[1]) <= found["lost"]
    assert found["same"] is False
