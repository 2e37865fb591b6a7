"""An audio process of a few lines of shell: dies, hangs or lies as a test asks."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

DEVICE = """echo '{"rate": 48000.0, "device": "Depot"}'"""


def plays(monkeypatch: pytest.MonkeyPatch, folder: Path, script: str) -> None:
    """Whatever Python process is started from now on is `script`, after it has taken the setting
    and said what device there is."""
    starts(monkeypatch, folder, f"read setting\n{DEVICE}\n{script}")


def starts(monkeypatch: pytest.MonkeyPatch, folder: Path, script: str) -> None:
    """The same, and nothing before."""
    program = folder / "audio-process"
    program.write_text(f"#!/bin/bash\n{script}\n")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))
