"""What the tests of stops share: a busy board, and what must hold once it was stopped."""

from firmware_protocol.catalogue import Cause
from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_US
from tests.bench.image_bench import ENABLE, OUTPUT_PINS, ImageBench, slot

ESTOP_BOUND = 20 * CYCLES_PER_US
SYNCHRONISER = 3
"""Cycles by which an input's edge may be seen later on a real chip than on the bench (pins.mjs)."""
ENABLE_BOUND = 5 * CYCLES_PER_MS
BUSY = tuple(slot(2e6 / hz, 300, start=1) for hz in (71, 83, 97, 113))


def busy(board: ImageBench) -> None:
    """Four voices on each output, and bytes on the line without a pause for the next 15 ms."""
    board.play(o0=BUSY, o1=BUSY, o2=BUSY, o3=BUSY)
    board.run_for(15 * CYCLES_PER_MS)
    board.play(o0=BUSY, o1=BUSY, o2=BUSY, o3=BUSY)
    board.play(o0=BUSY, o1=BUSY, o2=BUSY, o3=BUSY)


def stays_dark_and_tripped(board: ImageBench, cause: Cause, since: int) -> None:
    """No edge of an output any more, whatever host says; ENABLE still; the cause is told."""
    board.run_for(60 * CYCLES_PER_MS)
    status = board.newest_status()
    assert (status.state, status.cause) == (2, cause)
    assert board.last_fall(since + 1) is None
    assert board.last_edge(ENABLE) <= since + ENABLE_BOUND
    board.play(o0=BUSY)
    board.run_for(20 * CYCLES_PER_MS)
    assert board.last_fall(since + 1) is None


def to_interrupt_while_lit(board: ImageBench, vector: str) -> None:
    """To the entry of an interrupt while an output is lit."""
    for _ in range(400):
        assert board.run_to_vector(vector, limit=board.now + 40 * CYCLES_PER_MS)
        if any(board.level(p) for p in OUTPUT_PINS):
            return
        board.run_for(1)
    raise AssertionError(f"no {vector} while lit")
