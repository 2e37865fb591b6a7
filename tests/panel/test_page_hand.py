"""The dead man's switch on the page: held it plays, let go it is silent at once, then a trip."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from bridge import entries
from bridge.journal.files import journals
from bridge.journal.night import Night
from bridge.journal.values import Told
from tests.daw import Daw
from tests.end_to_end.rig import status, wait_until
from tests.jack import JackServer, jack_server  # noqa: F401
from tests.panel.rig import PanelRig, open_page, sign_in, state, wait_for_state
from tests.panel.starved import unless_starved

pytestmark = pytest.mark.real
LET_GO = "The dead man's switch was let go."
SITE = '\n[dead_man]\nsource = "panel"\nlatch_after_s = 0.7\n'


class Fingers:
    """On one page, two at once: Playwright itself has but one."""

    def __init__(self, page: Page) -> None:
        self._session = page.context.new_cdp_session(page)
        self._page = page
        self._down: dict[str, dict[str, float]] = {}

    def press(self, selector: str) -> None:
        box = self._page.locator(selector).bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        under = f"([x, y]) => !!document.elementFromPoint(x, y)?.closest('{selector}')"
        assert self._page.evaluate(under, [x, y]), f"{selector} is covered at {x}, {y}"
        number = max((int(one["id"]) for one in self._down.values()), default=0) + 1
        self._down[selector] = {"x": x, "y": y, "id": number}
        self._send("touchStart", list(self._down.values()))

    def lift(self, selector: str) -> None:
        self._send("touchEnd", [self._down.pop(selector)])

    def _send(self, kind: str, points: list[dict[str, float]]) -> None:
        self._session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


def arm_with_both_hands(page: Page) -> Fingers:
    """One finger holds the switch and stays; the other arms. Both are in reach at once."""
    # The switch alone is open: the page has come to rest.
    page.locator("#permit-says", has_text="1 thing stands between").wait_for()
    page.locator("#hand-hold:enabled").scroll_into_view_if_needed()
    fingers = Fingers(page)
    for last in (False, False, True):
        fingers.press("#hand-hold")
        page.locator("#arm:enabled").wait_for()
        fingers.press("#arm")
        try:
            wait_for_state(page, "ARMED", 4.0)
        except AssertionError:  # a machine that stalls has let go: a fresh press, as people do
            if last or state(page) != "LOCKED":
                raise
            fingers.lift("#arm")
            fingers.lift("#hand-hold")
        else:
            break
    fingers.lift("#arm")
    return fingers


def touched(chromium: Browser, address: str) -> Page:
    context = chromium.new_context(has_touch=True, viewport={"width": 360, "height": 740})
    page = context.new_page()
    page.set_default_timeout(20_000)
    page.goto(address)
    page.locator("#hand-hold").wait_for()
    return page


def sounding(page: Page) -> bool:
    return "nothing sounds" not in page.locator(".coil .pulse").first.inner_text()


def test_held_it_plays_let_go_it_is_silent_and_nothing_holds_by_itself(
    tmp_path: Path,
    jack_server: JackServer,  # noqa: F811
    chromium: Browser,
) -> None:
    unless_starved(
        tmp_path, lambda folder: PanelRig(folder, site=SITE), lambda panel: held(panel, chromium)
    )


def held(panel: PanelRig, chromium: Browser) -> None:
    with panel.running() as (board, daemon):
        page = touched(chromium, panel.address)
        other = open_page(chromium, panel.address)
        assert other.locator("#hand-hold").is_disabled()  # a viewer holds nothing
        sign_in(page, panel.operators["Mara"])
        sign_in(other, panel.operators["Ilse"])
        board.say("prove")
        page.locator("#checks li.open", has_text="dead man's switch: not held").wait_for()
        assert page.locator("#arm").is_disabled()
        fingers = arm_with_both_hands(page)
        with Daw("--to", "Coilwarden", "--hold", "57"):
            wait_until(lambda: sounding(page), "the note", 8.0)
            page.wait_for_timeout(1200)  # longer than the latch: held, it never trips
            assert state(page) == "ARMED"
            # A second person can hold nothing meanwhile, and cannot let go for the first.
            other.locator("#hand-hold").hover()
            other.mouse.down()
            other.locator("#answer", has_text="Mara holds it").wait_for()
            other.mouse.up()
            assert state(page) == "ARMED"
            count = len(panel.rig.pulses())
            wait_until(lambda: len(panel.rig.pulses()) > count, "pulses")
            fingers.lift("#hand-hold")
            wait_until(lambda: not sounding(page), "silence")
            assert status(daemon)["state"] == "armed"  # silent at once; latched only later
            page.wait_for_timeout(100)
            fired = len(panel.rig.pulses())
            wait_for_state(page, "TRIPPED")
            assert len(panel.rig.pulses()) == fired
        sentence = page.locator("#trip-sentence").inner_text()
        assert sentence == LET_GO
        # One finger holds, another stops: the hold keeps no tap back.
        page.locator("#reset").click()
        wait_for_state(page, "LOCKED")
        fingers.press("#hand-hold")
        page.locator("#arm:enabled").wait_for()
        fingers.press("#stop")
        wait_for_state(page, "TRIPPED")
        assert "The operator pressed stop" in page.locator("#trip-sentence").inner_text()
        fingers.lift("#stop")
        fingers.lift("#hand-hold")
        # With a mouse and a keyboard: the focus goes on to the other button, the hold stays.
        other.locator("#reset").click()
        other.locator("#hand-hold").hover()
        other.mouse.down()
        other.locator("#arm:enabled").focus()
        other.keyboard.down("Enter")
        wait_for_state(other, "ARMED")
        other.keyboard.up("Enter")
        other.wait_for_timeout(1200)
        assert state(other) == "ARMED"
        # A page that freezes gives no more signs, though the finger is down and the line open.
        said = len(daemon.lines)
        other.context.new_cdp_session(other).send(
            "Emulation.setScriptExecutionDisabled", {"value": True}
        )
        daemon.wait_for(LET_GO, after=said)
        assert status(daemon)["state"] == "tripped"
    # Silent at once, since the page said so: not because its signs stayed away.
    events = list(Night(journals(panel.rig.state / "journal")[-1]).read())
    tripped = next(n for n, e in enumerate(events) if isinstance(e, Told) and LET_GO in e.line)
    assert not [e for e in events[:tripped] if isinstance(e, entries.Hold)][-1].held
    # What the daemon did live, today's Engine does again from the journal: frame by frame.
    found = panel.replayed()
    assert found.same, found.difference or found.stopped
    assert found.writes > 200
