"""One browser for all the pages; a web application without a daemon."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.panel.rig import browser
from tests.panel.web import Site


@pytest.fixture(scope="package")
def _browser() -> Iterator[Browser]:
    with browser() as opened:
        yield opened


@pytest.fixture
def chromium(_browser: Browser) -> Iterator[Browser]:
    """Without a page: one whose daemon has ended would go on drawing that it has no contact."""
    yield _browser
    for context in _browser.contexts:
        context.close()


@pytest.fixture
def site() -> Iterator[Site]:
    one = Site()
    with one.client:
        yield one
