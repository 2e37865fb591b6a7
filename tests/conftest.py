"""Options of the whole suite: here, so that they are known whichever folder is named."""

import os
import shutil
from pathlib import Path

import pytest

MEMORY = Path("/dev/shm")
ROOM_BYTES = 2**30


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long-bench", action="store_true", help="many more phases on the bench")


def pytest_configure(config: pytest.Config) -> None:
    """Real tests have temporary folders in memory, where there is room: a disk that others use too
    can take longer to sync a latch than the 200 ms after which a site trips. The pure ones do not
    wait, and the path of a socket may have 107 bytes."""
    if (
        config.getoption("-m").startswith("real")
        and MEMORY.is_dir()
        and shutil.disk_usage(MEMORY).free > ROOM_BYTES
    ):
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))
