"""The page when nobody answers it any more: said at once, large, and never taken back too soon."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.end_to_end.rig import status
from tests.jack import JackServer, jack_server  # noqa: F401
from tests.panel.rig import (
    PanelRig,
    axe_source,
    open_page,
    serious_faults,
    state,
    wait_for_state,
)

pytestmark = pytest.mark.real
NOT_SAFE = "Silent is not safe to approach"


@pytest.fixture
def panel(tmp_path: Path, jack_server: JackServer) -> PanelRig:  # noqa: F811
    return PanelRig(tmp_path)


def test_a_lost_daemon_is_said_at_once_and_large(panel: PanelRig, chromium: Browser) -> None:
    with panel.running() as (_, daemon):
        page = open_page(chromium, panel.address)
        wait_for_state(page, "LOCKED")
        time.sleep(0.5)
        assert page.locator("#lost").is_hidden()
        # Its web server: frozen, then killed. The daemon goes on, and starts another.
        found = subprocess.run(
            ["ps", "-o", "pid=", "--ppid", str(daemon.process.pid)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        (pid,) = (int(p) for p in found.stdout.split())
        os.kill(pid, signal.SIGSTOP)
        page.locator("#lost").wait_for(timeout=4000)
        assert NOT_SAFE in page.locator("#caution").inner_text()
        os.kill(pid, signal.SIGKILL)
        daemon.wait_for("its web server ended")
        assert status(daemon)["state"] == "locked"
        page.locator("#lost").wait_for(state="hidden", timeout=15000)
        wait_for_state(page, "LOCKED")
        # The daemon itself.
        frozen_s = time.monotonic()
        daemon.signal(signal.SIGSTOP)
        page.locator("#lost").wait_for(timeout=4000)
        # Not a bound on speed: the page's own rule is a second and one echo.
        print(f"frozen to said: {time.monotonic() - frozen_s:.2f} s")
        words = page.locator("#lost").inner_text()
        assert "STOP from here does not reach" in words
        assert "emergency button" in words
        assert state(page) == "NO CONTACT"
        box = page.locator("#lost").bounding_box()
        assert box is not None
        assert box["width"] * box["height"] > 0.5 * 820 * 1180
        page.keyboard.press("Space")
        page.locator("#answer", has_text="emergency button").wait_for(state="attached")
        daemon.signal(signal.SIGCONT)
        page.locator("#lost").wait_for(state="hidden")
        daemon.signal(signal.SIGKILL)
        page.locator("#lost").wait_for(timeout=3000)
        assert serious_faults(page, axe_source()) == []
