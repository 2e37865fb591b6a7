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


def _watched(board: ImageBench, kept: tuple[str, dict[str, object]]) -> Iterator[ImageBench]:
    """Put back; afterwards: whatever the test did, the program kept the write point's invariant."""
    board.violations(take=True)
    board.back_to(kept)
    yield board
    assert board.violations() == []


@pytest.fixture
def locked(_board: Kept) -> Iterator[ImageBench]:
    """Started, proven, locked, without limits."""
    board, kept, _ = _board
    yield from _watched(board, kept)


@pytest.fixture
def armed(_board: Kept) -> Iterator[ImageBench]:
    """Armed a moment ago, silent; every output's limits are the board's ceilings."""
    board, _, kept = _board
    yield from _watched(board, kept)
