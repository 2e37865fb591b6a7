"""A daemon with its panel on a free port, its simulated board, and a browser."""

from __future__ import annotations

import contextlib
import shutil
import socket
from collections.abc import Iterator
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from tests.end_to_end.rig import Program, Rig, wait_until


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextlib.contextmanager
def browser() -> Iterator[Browser]:
    """Debian's chromium; one for all tests."""
    found = shutil.which("chromium")
    assert found is not None, "chromium is missing: apt-get install chromium"
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        try:
            yield opened
        finally:
            opened.close()


class PanelRig:
    """Board, daemon and panel. `panel`: further lines of its section."""

    def __init__(self, folder: Path, *, panel: str = "", scheme: str = "http") -> None:
        self.port = free_port()
        self.address = f"{scheme}://127.0.0.1:{self.port}/"
        self.rig = Rig(folder, panel=f"port = {self.port}\n{panel}")
        self.tokens = self.rig.state / "panel-tokens"
        self.rig.state.mkdir(exist_ok=True)
        self.operators = {"Mara": "lantern-mara-4f7k2p9q", "Ilse": "lantern-ilse-8h3n5r6t"}
        self.tokens.touch(mode=0o600)
        self.tokens.write_text("".join(f"{n}: {t}\n" for n, t in self.operators.items()))

    @contextlib.contextmanager
    def running(self) -> Iterator[tuple[Program, Program]]:
        with self.rig.board() as board, self.rig.daemon() as daemon:
            daemon.wait_for("panel: http")
            yield board, daemon


def state(page: Page) -> str:
    return page.locator("#state").inner_text()


def wait_for_state(page: Page, word: str, timeout_s: float = 10.0) -> None:
    wait_until(lambda: state(page) == word, lambda: f"{word}, it is {state(page)}", timeout_s)


def sign_in(page: Page, token: str) -> None:
    page.locator("#to-sign-in").click()
    page.locator("#token").fill(token)
    page.locator("#sign-form button[type=submit]").click()
    page.locator("#you", has_text="operator").wait_for()


def arm(page: Page) -> None:
    """As an operator does it: press, hold, let go."""
    page.locator("#arm:enabled").wait_for()
    page.locator("#arm").hover()
    page.mouse.down()
    try:
        wait_for_state(page, "ARMED")
    finally:
        page.mouse.up()
