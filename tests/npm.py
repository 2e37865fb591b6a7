"""What tests need from the npm registry, at its locked versions."""

from __future__ import annotations

import fcntl
import subprocess
from pathlib import Path


def install(folder: Path) -> str:
    """`npm ci` in a folder with a package-lock.json, where it was not done; test processes may ask
    at once, and all but one wait. "", or npm's own words when it fails."""
    with (folder / "package-lock.json").open() as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if (folder / "node_modules" / ".package-lock.json").exists():  # npm writes it last
            return ""
        command = ["npm", "ci", "--prefix", str(folder), "--no-audit", "--no-fund"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    return f"{' '.join(command)} failed:\n{done.stdout}{done.stderr}" if done.returncode else ""
