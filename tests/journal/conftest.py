"""One recorded run for all who only read it."""

from __future__ import annotations

import pytest

from bridge.journal.night import Night
from tests.journal.rig import recorded_run
from tests.running_site import Site


@pytest.fixture(scope="session")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, Night]:
    return recorded_run(tmp_path_factory.mktemp("run"))
