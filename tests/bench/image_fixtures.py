"""Boards that have started or are armed, made once for all tests and put back before each."""

from collections.abc import Iterator

import pytest

from tests.bench.image_bench import ImageBench

Kept = tuple[ImageBench, tuple[str, dict[str, object]], tuple[str, dict[str, object]]]


@pytest.fixture(scope="session")
def _board() -> Iterator[Kept]:
    with ImageBench() as board:
        board.started()
        board.prove()
        locked = board.keep()
        board.arm()
        yield board, locked, board.keep()


@pytest.fixture
def locked(_board: Kept) -> ImageBench:
    """Started, proven, locked, without limits."""
    board, kept, _ = _board
    board.back_to(kept)
    return board


@pytest.fixture
def armed(_board: Kept) -> ImageBench:
    """Armed a moment ago, silent; every output's limits are the board's ceilings."""
    board, _, kept = _board
    board.back_to(kept)
    return board
