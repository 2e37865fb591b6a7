"""What a command loads before it can do anything."""

from __future__ import annotations

import subprocess
import sys


def test_what_plays_does_not_wait_for_what_only_reports_need() -> None:
    """scipy, matplotlib and MQTT are slow to load, and nothing of the music needs them."""
    code = "import sys, bridge.cli, bridge.serve; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert {"scipy", "matplotlib", "aiomqtt"}.isdisjoint(done.stdout.split())
