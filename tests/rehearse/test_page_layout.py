"""The rehearsal's page in a real browser, from a telephone to a wide screen."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from bridge.rehearse.command import run
from tests.panel.rig import axe_source, browser, open_page, serious_faults
from tests.rehearse.test_command import wanted
from tests.rehearse.test_three_forms import PIECE, a_site, written

pytestmark = pytest.mark.real

WIDTHS = (360, 1024, 1920)
LONG_NAME = "the_lamplighters_long_way_home_" * 3 + "final_version_2.mid"
"""It has no place at which words are parted."""
FIGURES = ("Break rate", "On-time", "Energy", "Most that the mains")

BOXES = """() => {
    const box = e => { const b = e.getBoundingClientRect(); return [b.left, b.right] };
    const scrolls = e => getComputedStyle(e).overflowX !== 'visible';
    const inScroller = e => { for (let p = e.parentElement; p; p = p.parentElement)
        if (scrolls(p)) return true; return false };
    return [...document.querySelectorAll('main, main *')].filter(e => !inScroller(e)).map(
        e => [e.tagName + ' ' + e.textContent.slice(0, 40), ...box(e)])
}"""
"""Every element that no scrolling one holds, with its left and right edge."""
PICTURES = """() => [...document.querySelectorAll('figure')].map(f => {
    const svg = f.querySelector('svg'), s = svg.getBoundingClientRect(), v = svg.viewBox.baseVal;
    const texts = [...svg.querySelectorAll('text')].map(t => t.getBoundingClientRect());
    const px = [...svg.querySelectorAll('text')].map(
        t => parseFloat(getComputedStyle(t).fontSize) * s.width / v.width);
    return {
        role: f.getAttribute('role'), label: f.getAttribute('aria-label'),
        caption: f.querySelector('figcaption').textContent,
        width: s.width, height: s.height, aspect: v.width / v.height, letters: Math.min(...px),
        inside: texts.every(t => t.left >= s.left - 1 && t.right <= s.right + 1),
        shown: f.clientWidth, whole: f.scrollWidth, reachable: f.tabIndex >= 0,
        left: f.getBoundingClientRect().left,
    }})"""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("page")
    page = folder / "page.html"
    score = written(folder / LONG_NAME, PIECE)
    assert run(a_site(), wanted(score, html=page)) == 1  # some are lost: all there can be on it
    return Path(page).as_uri()


@pytest.fixture
def at(chromium: Browser, address: str, request: pytest.FixtureRequest) -> Iterator[Page]:
    page = open_page(chromium, address, (request.param, 900))
    yield page
    page.context.close()


def pictures(page: Page) -> list[dict[str, Any]]:
    return page.evaluate(PICTURES)


@pytest.mark.parametrize("at", WIDTHS, indirect=True)
def test_nothing_is_wider_than_the_page(at: Page) -> None:
    """Tables and figures may be moved from side to side in themselves."""
    width: int = at.evaluate("innerWidth")
    assert at.evaluate("document.documentElement.scrollWidth") <= width
    boxes: list[tuple[str, float, float]] = at.evaluate(BOXES)
    assert len(boxes) > 20
    out = [box for box in boxes if box[1] < -0.5 or box[2] > width + 0.5]
    assert out == []


@pytest.mark.parametrize("at", WIDTHS, indirect=True)
def test_the_figures_can_be_read(at: Page) -> None:
    """Undistorted, as large as the page has room for and no larger, letters of 9 px at least; on a
    telephone in their own size, to be moved from side to side, with a key too."""
    width: int = at.evaluate("innerWidth")
    main = at.locator("main").bounding_box()
    assert main is not None
    found = pictures(at)
    assert len(found) == len(FIGURES)
    for one in found:
        assert one["width"] / one["height"] == pytest.approx(one["aspect"], rel=0.02), one
        assert one["letters"] >= 9, one
        assert one["inside"], one
        assert 250 <= one["height"] <= 420, one
        assert one["left"] >= main["x"]
        assert one["shown"] <= min(main["width"], width)
        if width < 600:
            assert one["whole"] > one["shown"]
            assert one["reachable"]
        else:
            assert one["whole"] == one["shown"]
            assert one["width"] >= 0.8 * one["shown"]


def test_every_figure_says_what_it_shows(chromium: Browser, address: str) -> None:
    page = open_page(chromium, address, (1024, 900))
    found = pictures(page)
    labels = [one["label"] for one in found]
    for label, begin in zip(labels, FIGURES, strict=True):
        assert label.startswith(begin)
        assert 25 < len(label) < 200
    assert len(set(labels)) == len(labels)
    assert all(one["role"] == "img" and one["caption"] == one["label"] for one in found)
    assert page.locator("svg").count() == len(found), "no figure without words"
    page.context.close()


def test_lines_stay_short_enough_to_be_read_on_a_wide_screen(
    chromium: Browser, address: str
) -> None:
    """No more than 80 letters (WCAG 2.2, 1.4.8, is for prose alone and asks as much); tables and
    figures may be as wide as the column."""
    page = open_page(chromium, address, (1920, 900))
    main = page.locator("main").bounding_box()
    assert main is not None
    assert main["width"] <= 1100
    assert main["x"] == pytest.approx((1920 - main["width"]) / 2, abs=10), "in the middle"
    page.context.close()


@pytest.mark.parametrize("at", WIDTHS, indirect=True)
def test_axe_finds_no_serious_fault(at: Page) -> None:
    assert serious_faults(at, axe_source()) == []
