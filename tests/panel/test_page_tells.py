"""What the page tells of coils, links, inputs and the record, and never by colour alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import cast

import pytest
from playwright.sync_api import Browser

from bridge.interlock import State
from bridge.journal.values import JournalState
from bridge.panel.desk import Desk
from bridge.service import Service
from bridge.source import ShowStatus
from bridge.view import CoilView, InputView, LinkView, SiteView
from tests.panel.alone import Alone
from tests.panel.rig import at_every_size, axe_source, open_page, wait_for_state

pytestmark = pytest.mark.real
LINK = LinkView("Rack", "open", 12.4, -37.0, 3, 9, 7, 2, 1, 8400, False, 1_999_926.0)
COILS = (
    CoilView(
        "Larkspur", ((440.0, 81.2), (659.3, 64.0)),
        {"duty 1000 ms": 0.93, "rate": 0.4, "mains": 0.5},
        ("2 voices shortened: duty in 1000 ms 7.5 % asked, 6 % allowed",), notes=(69, 76),
        break_rate_hz=1099.3, bang_energy_j=(1.25, 0.75), power_w=1044.0, mains_a=5.2,
    ),
    CoilView("Foxglove", (), {"duty 1000 ms": 0.0, "rate": 0.0}, ()),
)  # fmt: skip


@pytest.fixture(scope="module")
def alone() -> Iterator[Alone]:
    one = Alone()
    with one.running():
        yield one


def shown(view: SiteView) -> SiteView:
    return replace(
        view,
        coils=COILS,
        links=(LINK,),
        inputs=(InputView("DAW", "connected", "", 4),),
        midi_messages={"DAW": 17},
        show=ShowStatus("Lamps", 2, 7, "paused", 18, 61.2, 75.4, "DAW: locked"),
        mains_budget_a=10.4,
        journal=JournalState(False, "", 12, "/disk: No space left on device"),
    )


def test_a_whole_night_in_one_picture(alone: Alone, chromium: Browser) -> None:
    alone.become(State.ARMED)
    alone.change = shown
    alone.desk = Desk(
        cast(Service, alone.service), alone.service.stage, lambda line: None,
        {f"show:{word}": lambda who, phase: "" for word in ("pause", "resume")},
    )  # fmt: skip
    page = open_page(chromium, alone.address)
    wait_for_state(page, "ARMED")
    larkspur = page.locator(".coil", has_text="Larkspur").first
    for words in (
        "A4 E5", "440.0 Hz at 81 µs + 659.3 Hz at 64 µs", "1099 bangs a second",
        "1.25, 0.75 J a bang, 1044 W", "mains of 10.4 A", "5.2 A",
        "Held back: 2 voices shortened: duty in 1000 ms 7.5 % asked, 6 % allowed",
    ):  # fmt: skip
        assert words in larkspur.inner_text(), words
    # Near a limit: a sign beside the number, and words for who hears the page.
    near = larkspur.locator(".meter", has_text="duty 1000 ms")
    sign = near.locator(".value").evaluate("e => getComputedStyle(e, '::after').content")
    assert "▲" in sign
    said = near.locator("[role=meter]").get_attribute("aria-valuetext")
    assert said == "93 %, near the limit"
    links = page.locator("#links").inner_text()
    for words in (
        "12 ms old", "-37 ppm off, 1999926 ticks a second", "9, of them 7 during bangs; 3 bad",
        "2 refused, 1 collided of 8400 pulses", "look at cabling", "limits of host and board",
        "cannot send a break",
    ):  # fmt: skip
        assert words in links, words
    assert "DAW: connected, 17 messages, 4 thrown away in a flood" in (
        page.locator("#inputs").inner_text()
    )
    # A show: its item, bar and time left. What can be done with it stands there too.
    assert page.locator("#show-item").inner_text() == "2 of 7: Lamps"
    assert (
        page.locator("#show-place").inner_text() == "paused · bar 18 · 1:15 left · by DAW: locked"
    )
    assert page.locator("#show-acts button").all_inner_texts() == ["Pause", "From the bar again"]
    # The record has stopped: where one looks, in words, and aloud; the rest goes on.
    assert page.locator("#unrecorded").inner_text() == "▲ NOT RECORDED"
    record = page.locator("#record").inner_text()
    assert "NOT RECORDED: /disk: No space left on device. The music goes on." in record
    assert "Not recorded." in page.locator("#spoken").inner_text()
    at_every_size(page, axe_source())
    alone.change = lambda view: replace(
        shown(view), journal=JournalState(True, "/disk/depot.journal", 12, "")
    )
    page.locator("#record", has_text="12 things could not be kept").wait_for()
    # MIDI comes: each input says so by itself, and is quiet again.
    alone.change = lambda view: replace(shown(view), midi_messages={"DAW": 18})
    page.locator("#inputs", has_text="● playing · DAW: connected, 18 messages").wait_for()
    page.locator("#inputs", has_text="○ quiet · DAW").wait_for()
    alone.change = lambda view: replace(shown(view), journal=JournalState(True, "/disk", 0, ""))
    page.locator("#record", has_text="Recording to /disk").wait_for()
    assert page.locator("#unrecorded").is_hidden()
    page.context.close()
