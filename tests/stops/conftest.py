from __future__ import annotations

from collections.abc import Generator
from pathlib import Path

import pytest

from tests.stops.device import Device


@pytest.fixture
def device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Generator[Device]:
    made = Device(tmp_path, monkeypatch)
    yield made
    made.close()
