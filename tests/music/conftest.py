"""A fresh instrument for each story."""

import pytest

from tests.music.rig import Rig


@pytest.fixture
def rig() -> Rig:
    return Rig()
