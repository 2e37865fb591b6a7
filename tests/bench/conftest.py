"""Probes: tiny C programs, compiled once, that show what the simulated chip itself does."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.bench.bench import HERE, Bench, build
from tests.bench.image_fixtures import _board, armed, locked  # noqa: F401

# as the chip leaves the factory but for a crystal: watchdog off until the program turns it on
QUIET_FUSES = {"low": 0xF7, "high": 0xD7, "extended": 0xFC, "lock": 0xFF}
SHORT_START = 100

Probe = Callable[..., Bench]


@pytest.fixture(scope="session")
def _built(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    into = tmp_path_factory.mktemp("probes")
    return cache(lambda name: build(HERE / "probes" / f"{name}.c", into))


@pytest.fixture
def probe(_built: Callable[[str], Path]) -> Iterator[Probe]:
    """``probe("pwm", **options of Bench)``: a board with that probe in it, closed in the end."""
    with ExitStack() as stack:

        def start(name: str, **options: Any) -> Bench:
            options = {"fuses": QUIET_FUSES, "startup_cycles": SHORT_START, **options}
            return stack.enter_context(Bench(_built(name), **options))

        yield start
