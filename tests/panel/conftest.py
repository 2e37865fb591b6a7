"""One browser for all the pages; a web application without a daemon."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.panel.rig import browser
from tests.panel.web import Site


@pytest.fixture(scope="package")
def chromium() -> Iterator[Browser]:
    with browser() as opened:
        yield opened


@pytest.fixture
def site() -> Iterator[Site]:
    one = Site()
    with one.client:
        yield one
