"""STOP on the page: one tap at every size, on every page, in every state; space and Escape too."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page

from bridge.interlock import CAUSES, State
from bridge.panel.app import STATIC
from tests.end_to_end.rig import wait_until
from tests.panel.alone import Alone
from tests.panel.rig import at_every_size, axe_source, open_page, sign_in, wait_for_state
from tests.panel.web import TOKEN

pytestmark = pytest.mark.real
SIZES = [(360, 740), (740, 360), (820, 1180), (1180, 820), (1920, 1080)]
PAGES = ["play", "check", "sign-in"]
STATES = [State.LOCKED, State.ARMING, State.ARMED, State.TRIPPED]
NOT_SAFE = "Silent is not safe to approach"


@pytest.fixture(scope="module")
def alone() -> Iterator[Alone]:
    one = Alone()
    with one.running():
        yield one


def on_top(page: Page) -> bool:
    """Is nothing before STOP, at its middle and near its corners?"""
    return bool(
        page.evaluate(
            """() => {
              const box = document.getElementById("stop").getBoundingClientRect();
              return [[.5, .5], [.05, .1], [.95, .1], [.05, .9], [.95, .9]].every(([x, y]) => {
                const at = document.elementFromPoint(box.x + x * box.width, box.y + y * box.height);
                return at && at.closest("#stop");
              });
            }"""
        )
    )


def covered(page: Page) -> str:
    """What lies over the middle of the thing in focus, or "" (WCAG 2.2, 2.4.11, from memory)."""
    return str(
        page.evaluate(
            """() => {
              const one = document.activeElement, box = one.getBoundingClientRect();
              const at = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
              return at && one.contains(at) ? "" : `${one.outerHTML} at ${box.y} by ${at?.id}`;
            }"""
        )
    )


def stopped(alone: Alone, before: int) -> None:
    wait_until(lambda: alone.daemon.stops > before, "the stop", 5.0)


@pytest.mark.parametrize("state", STATES, ids=lambda s: s.value)
def test_stop_is_one_tap_away_wherever_one_is(
    alone: Alone, chromium: Browser, state: State
) -> None:
    alone.become(state)
    page = open_page(chromium, alone.address)
    axe = axe_source()
    wait_for_state(page, state.value.upper())
    caution = page.locator("#caution").inner_text()
    assert (NOT_SAFE in caution) is (state is not State.ARMED)
    shapes = {State.LOCKED: "□", State.ARMING: "◇", State.ARMED: "⚠", State.TRIPPED: "▲"}
    assert page.locator("#shape").inner_text() == shapes[state]  # never by colour alone
    trip = alone.service.engine.interlock.current_trip
    if state is State.TRIPPED:  # one screen: cause, remedy, how it clears, reset and arm
        assert trip is not None
        told = CAUSES[trip.cause]
        assert page.locator("#trip-sentence").inner_text() == told.sentence
        assert page.locator("#trip-remedy").inner_text() == told.remedy
        assert page.locator("#trip-clears").inner_text() != ""
        assert page.locator("#reset").is_visible()
    assert page.locator("#trip").is_visible() is (state is State.TRIPPED)
    assert page.locator("#arm").is_visible()
    page.evaluate("document.getElementById('answer').textContent = 'a long answer. '.repeat(20)")
    for name in PAGES:
        page.locator(f"#to-{name}").click()
        at_every_size(page, axe)
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            for end in (0, 1_000_000):  # scrolled to either end
                page.evaluate(f"window.scrollTo(0, {end})")
                assert on_top(page), (name, width, end)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
    before = alone.daemon.stops
    page.locator("#stop").click()
    stopped(alone, before)
    page.context.close()


def test_stop_lies_above_the_words_of_no_contact(alone: Alone, chromium: Browser) -> None:
    alone.become(State.ARMED)
    page = open_page(chromium, alone.address)
    wait_for_state(page, "ARMED")
    try:
        alone.alive = False
        page.locator("#lost").wait_for()
        assert NOT_SAFE in page.locator("#caution").inner_text()
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            assert on_top(page), width
    finally:
        alone.alive = True
    page.locator("#lost").wait_for(state="hidden")
    page.context.close()


@pytest.mark.parametrize("key", ["Space", "Escape", "Shift+Escape", "Control+Space"])
def test_a_key_stops_whatever_has_the_focus(alone: Alone, chromium: Browser, key: str) -> None:
    """Fields, sliders, buttons and links: and the key does nothing else there."""
    alone.become(State.ARMED)
    page = open_page(chromium, alone.address, (360, 740))
    wait_for_state(page, "ARMED")
    sign_in(page, TOKEN)
    assert page.evaluate("window.scrollY") == 0  # signed in, one is at the page's begin
    tried = 0
    for name in PAGES:
        page.locator(f"#to-{name}").click()
        # The tab turns an event later: until then the last page's places would be counted.
        page.locator(f"#to-{name}[aria-current=page]").wait_for()
        places = page.locator("button:enabled:visible, input:enabled:visible, a:visible")
        for index in range(places.count()):
            place = places.nth(index)
            place.focus()
            assert covered(page) == "", name
            before = len(alone.daemon.asked)
            page.keyboard.press(key)
            wait_until(lambda before=before: len(alone.daemon.asked) > before, f"{name} {index}")
            asked = alone.daemon.asked[before:]
            assert all(command == {"do": "stop"} for command in asked), (name, index, asked)
            tried += 1
    assert tried > 15
    assert page.locator("#token").input_value() == ""
    page.context.close()


def test_nothing_of_the_page_can_stand_before_stop(alone: Alone, chromium: Browser) -> None:
    """No dialogs, no menus; and the browser's own bubble over a form keeps nothing back."""
    for path in STATIC.iterdir():
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"\b(alert|confirm|prompt|showModal|requestFullscreen)\(", text), path
        assert not re.search(r"<(dialog|select|iframe)|popover|beforeunload", text), path
    alone.become(State.ARMED)
    page = open_page(chromium, alone.address, (360, 740))
    wait_for_state(page, "ARMED")
    page.locator("#to-sign-in").click()
    for way in ("Space", "Escape", "tap"):
        page.locator("#sign-form button[type=submit]").click()  # empty: the bubble opens
        before = alone.daemon.stops
        if way == "tap":
            page.locator("#stop").click()
        else:
            page.keyboard.press(way)
        stopped(alone, before)
    page.context.close()


def test_stop_works_where_no_script_runs(alone: Alone, chromium: Browser) -> None:
    context = chromium.new_context(
        java_script_enabled=False, viewport={"width": 360, "height": 740}
    )
    page = context.new_page()
    page.goto(alone.address)
    assert NOT_SAFE in page.locator("#caution").inner_text()
    assert page.locator("button:enabled").all_inner_texts()[0].startswith("STOP")
    before = alone.daemon.stops
    page.locator("#stop").click()
    stopped(alone, before)
    page.wait_for_url(alone.address)  # and back again
    context.close()
