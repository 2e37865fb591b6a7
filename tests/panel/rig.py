"""A daemon with its panel on a free port, its simulated board, and a browser."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

from playwright.sync_api import Browser, Page, ViewportSize, sync_playwright

from bridge.journal.files import journals
from bridge.journal.night import Night
from bridge.journal.replay import Comparison
from tests import npm
from tests.end_to_end.rig import Program, Rig, wait_until
from tests.journal.rig import replayed
from tests.ports import free_port

HERE = Path(__file__).resolve().parent
SIZES = [(360, 740), (820, 1180), (1920, 1080)]


@contextlib.contextmanager
def browser() -> Iterator[Browser]:
    """Debian's chromium; one for all tests of a process."""
    found = shutil.which("chromium")
    assert found is not None, "chromium is missing: apt-get install chromium"
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        try:
            yield opened
        finally:
            opened.close()


def open_page(chromium: Browser, address: str, size: tuple[int, int] = (820, 1180)) -> Page:
    """In a context of its own: another browser, as far as cookies go."""
    context = chromium.new_context(
        viewport=ViewportSize(width=size[0], height=size[1]), ignore_https_errors=True
    )
    context.set_default_timeout(20_000)
    page = context.new_page()
    page.goto(address)
    return page


class PanelRig:
    """Board, daemon and panel. `panel`: further lines of its section; `site`: of the site file;
    `show`: a cue list to perform instead of serving."""

    def __init__(
        self,
        folder: Path,
        *,
        panel: str = "",
        scheme: str = "http",
        site: str = "",
        show: Path | None = None,
        horn_ms: int = 0,
    ) -> None:
        self.port = free_port()
        self.address = f"{scheme}://127.0.0.1:{self.port}/"
        self.rig = Rig(folder, panel=f"port = {self.port}\n{panel}", horn_ms=horn_ms)
        with self.rig.config.open("a", encoding="utf-8") as file:
            file.write(site)
        self._show = show
        self.beside: Callable[[int, int], AbstractContextManager[None]] | None = None
        """Entered with the processes' ids while they run (starved.py)."""
        self.tokens = self.rig.state / "panel-tokens"
        self.rig.state.mkdir(exist_ok=True)
        self.operators = {"Mara": "lantern-mara-4f7k2p9q", "Ilse": "lantern-ilse-8h3n5r6t"}
        self.tokens.touch(mode=0o600)
        self.tokens.write_text("".join(f"{n}: {t}\n" for n, t in self.operators.items()))

    @contextlib.contextmanager
    def running(self) -> Iterator[tuple[Program, Program]]:
        with self.rig.board() as board, self._daemon() as daemon:
            daemon.wait_for("panel: http")
            pids = board.process.pid, daemon.process.pid
            with self.beside(*pids) if self.beside else contextlib.nullcontext():
                yield board, daemon
            # In order, so that JACK need not find out by itself that a client is gone.
            with contextlib.suppress(OSError, subprocess.TimeoutExpired):
                daemon.say("quit")
                daemon.process.wait(3)

    def replayed(self) -> Comparison:
        """The newest run, by today's Engine, from its journal alone."""
        night = Night(journals(self.rig.state / "journal")[-1])
        assert night.gaps == []
        return replayed(night)

    def _daemon(self) -> Program:
        if self._show is None:
            return self.rig.daemon()
        return Program("show", str(self.rig.config), str(self._show), "--plain")


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
    """As an operator does it: press, hold, let go; again where a machine that stalls let go."""
    for last in (False, False, True):
        page.locator("#arm:enabled").wait_for()
        page.locator("#arm").hover()
        page.mouse.down()
        try:
            wait_for_state(page, "ARMED", 4.0)
        except AssertionError:
            if last or state(page) != "LOCKED":
                raise
        else:
            return
        finally:
            page.mouse.up()


def axe_source() -> str:
    """axe-core, from the npm registry at its locked version."""
    wrong = npm.install(HERE)
    assert not wrong, wrong
    return (HERE / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


def serious_faults(page: Page, axe: str) -> list[str]:
    """What axe-core calls serious or critical on the page as it is now."""
    page.evaluate(axe)
    found = page.evaluate("axe.run(document)")
    return [
        f"{fault['impact']} {fault['id']}: {[n['target'] for n in fault['nodes']]}"
        for fault in found["violations"]
        if fault["impact"] in {"serious", "critical"}
    ]


def at_every_size(page: Page, axe: str) -> None:
    """Fits, readable at 2 m, STOP in reach, targets for gloves, no serious fault by axe-core."""
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        word = page.locator("#state").bounding_box()
        assert word is not None
        assert word["x"] + word["width"] <= width, f"the state is cut at {width} px"
        for selector in ("#state", "#stop .word"):
            # Capitals are 0.7 em high: 16 minutes of arc at 2 m are 9.3 mm, 35 CSS pixels (ISO
            # 9241-303 asks for 16 at least, 20 to 22 by preference; from memory).
            size = page.locator(selector).evaluate("e => parseFloat(getComputedStyle(e).fontSize)")
            assert size * 0.7 >= 35
        stop = page.locator("#stop").bounding_box()
        assert stop is not None
        assert stop["width"] * stop["height"] >= 40_000
        assert 0 <= stop["y"] < stop["y"] + stop["height"] <= height + 1
        small = page.evaluate(
            "[...document.querySelectorAll('button, a, input')].filter(e => e.offsetParent &&"
            " (e.offsetHeight < 48 || e.offsetWidth < 48)).map(e => e.outerHTML)"
        )
        assert small == []
    assert serious_faults(page, axe) == []
