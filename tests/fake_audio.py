"""An audio process of a few lines of shell: dies, hangs or lies as a test asks. And a device that
asks for one block, at times that a test says."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
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


def asks_once(
    monkeypatch: pytest.MonkeyPatch, *, now_s: float, dac_s: float, rate: int, frames: int
) -> None:
    """sounddevice has one device, "Depot", which asks for a block when its stream starts: at
    `now_s` of the device's clock, to be heard at `dac_s`."""

    class Stream:
        def __init__(self, *, callback: Any, **_: Any) -> None:
            self._callback = callback

        def start(self) -> None:
            at = SimpleNamespace(currentTime=now_s, outputBufferDacTime=dac_s)
            status = SimpleNamespace(output_underflow=False)
            self._callback(np.zeros((frames, 2), dtype=np.float32), frames, at, status)

    info = {"default_samplerate": rate, "name": "Depot"}
    fake = SimpleNamespace(OutputStream=Stream, query_devices=lambda *_: info)
    monkeypatch.setitem(sys.modules, "sounddevice", fake)  # type: ignore[arg-type]
