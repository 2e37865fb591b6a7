"""Options of the whole suite: here, so that they are known whichever folder is named."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long-bench", action="store_true", help="many more phases on the bench")
