"""Asked for more than the processor can reckon: darker, never wrong, and in time again afterwards.

PROTOCOL.md, section 8, "More than it can reckon". One output plays on throughout, with nothing said
to it; the others ask for too much, then fall silent. What comes later on that output is compared
with the twins, who are never behind: see same.py.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from firmware_protocol.catalogue import Cause, State
from firmware_protocol.messages import Slot, Stop
from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_TICK
from tests.bench.image_bench import ImageBench, slot
from tests.bench.judge import ceilings, outside_armed, unlawful
from tests.bench.load import FULL_RATES, ON_TICKS
from tests.bench.same import compare
from tests.bench.told import start_tracing

pytestmark = pytest.mark.long

PLAYS_ON = (
    slot(3001.37, 60),
    slot(5003.3, 60, spread=60),
    slot(4001.9, 60, bangs=95),
)
"""On output 0: even gaps; spread ones, whose generator steps by each; a counted row."""
OVERLOAD_MS = 120
AGAIN_IN_TIME = 6 * CYCLES_PER_MS
"""After the last frame that ends the overload."""
AFTER_MS = 80
LEASE = 490_000
"""Ticks: longer than from the overload's begin to the stop."""


def told(board: ImageBench, output: int, *slots: Slot) -> int:
    """One immediate frame; the cycle at which it had come."""
    tick, cycle = board.clock()
    now = tick + (board.now - cycle) // CYCLES_PER_TICK
    end = board.send(board.voices(output, *slots, now=now, lease=LEASE))
    board.run_to(end)
    return end


def gliding(board: ImageBench, until: int) -> None:
    """The line full of frames that bend every voice of outputs 1 to 3, near their ceilings."""
    tick, cycle = board.clock()
    end, round_ = board.now, 0
    while end < until:
        bend = 1 + 0.01 * (round_ % 3)
        slots = [slot(bend * 2e6 / hz, ON_TICKS, step=2) for hz in FULL_RATES]
        now = tick + (end - cycle) // CYCLES_PER_TICK
        end = board.send(board.voices(1 + round_ % 3, *slots, now=now, lease=LEASE), at=end)
        round_ += 1
        board.run_to(end - CYCLES_PER_MS)
    board.run_to(end)


def thick(board: ImageBench, until: int) -> None:
    """Grid points of outputs 1 to 3 closer than the free time after a pulse, in one frame each."""
    for output in (1, 2, 3):
        notes: list[Slot] = [slot(period, ON_TICKS) for period in (401, 433, 467, 499)]
        told(board, output, *notes)
    board.run_to(until)


@pytest.mark.parametrize("too_much", [gliding, thick])
def test_what_plays_on_is_in_time_again(too_much: Callable[[ImageBench, int], None]) -> None:
    with ImageBench() as board:
        begin, end, stopped = played(board, too_much)
        judge(board, begin, end, stopped)


def played(board: ImageBench, too_much: Callable[[ImageBench, int], None]) -> tuple[int, int, int]:
    """Cycles: the overload's begin, its end, and when the stop came."""
    start_tracing(board)
    board.armed()
    told(board, 0, *PLAYS_ON)
    board.run_for(20 * CYCLES_PER_MS)
    begin = told(board, 0, *PLAYS_ON)
    too_much(board, begin + OVERLOAD_MS * CYCLES_PER_MS)
    for output in (1, 2, 3):
        end = told(board, output)
    board.run_for(AFTER_MS * CYCLES_PER_MS)
    stopped = board.send(Stop(1))
    board.run_to(stopped + 70 * CYCLES_PER_MS)
    return begin, end, stopped


def judge(board: ImageBench, begin: int, end: int, stopped: int) -> None:
    status = board.newest_status()
    assert (status.state, status.cause) == (State.TRIPPED, Cause.HOST_STOP)
    pulses = board.pulses()
    behind = [p for p in pulses if p.output == 0 and begin < p.start_cycle < end]
    print(f"{len(behind)} pulses of output 0 in {OVERLOAD_MS} ms of overload")
    assert sum(one.collisions_dropped for one in status.per_output) > 100  # it was too much
    for output in range(4):
        assert unlawful(pulses, ceilings(output)) == []
    assert outside_armed(board, pulses) == []
    (verdict,) = compare(board, board.traced(), overloads=[(begin, end + AGAIN_IN_TIME)])
    after = [p for p in pulses if end + AGAIN_IN_TIME < p.start_cycle < stopped]
    assert {p.output for p in after} == {0}
    assert len(after) > 80
    assert verdict.pulses >= len(after)
