"""What ends a trip in the C core, and what outlives power: PROTOCOL.md, sections 5 and 6."""

from __future__ import annotations

import pytest

from bridge.link.simulated_settings import BoardMemory
from firmware_protocol.catalogue import Cause, Reason, ResetCause, State
from firmware_protocol.messages import Refusal, Reset, Stop
from tests.link.board_bench import BOARD, MS

from .bench import CoreBench
from .interlock_bench import ACTS, bench_in
from .library import CBoard, CMemory, library

REMAINS = {
    Cause.ESTOP_OPEN: {"estop_a": True, "estop_b": True},
    Cause.KEY_OFF: {"key": True},
    Cause.LOCAL_STOP: {"local_stop": False},
    Cause.LINE_BREAK: None,
    Cause.PIN_MISMATCH: {"pin_mismatch": False},
    Cause.NOT_READY: {"ready": {0: True}},
}
"""Section 5, third column, and what ends each cause that lasts (None: the line goes high)."""


@pytest.mark.parametrize("cause", ACTS)
def test_reset_while_the_cause_lasts(cause: Cause) -> None:
    bench = bench_in(State.ARMED)
    if (
        cause == Cause.LINE_BREAK
    ):  # bytes show that the line is high: nothing can be said in a break
        bench.line_break()
        bench.board.receive(bench.tick, b"\x00")
        bench.reset_trip()
        assert bench.board.state == State.LOCKED
        return
    ACTS[cause](bench)
    if cause in REMAINS:
        (refusal,) = bench.send(Reset(bench.board.trip_number, bench.nonce()))
        assert isinstance(refusal, Refusal)
        assert (refusal.reason, refusal.detail) == (Reason.CAUSE_REMAINS, cause)
        bench.inputs(**(REMAINS[cause] or {}))
        bench.advance(100 * MS)
    bench.reset_trip()
    assert bench.board.state == State.LOCKED
    assert bench.board.cause == Cause.NONE


@pytest.mark.parametrize("which", ["estop_a", "estop_b"])
def test_reset_while_contacts_disagree(which: str) -> None:
    bench = CoreBench()
    bench.inputs(**{which: False})  # the proof test of one alone
    bench.advance(10 * MS)
    assert bench.board.cause == Cause.ESTOP_DISAGREE
    assert bench.refused(Reset(bench.board.trip_number, bench.nonce())) == Reason.CAUSE_REMAINS
    bench.inputs(**{which: True})
    bench.advance(100 * MS)
    bench.reset_trip()
    assert bench.board.state == State.LOCKED


def test_reset_is_refused_in_the_order_of_the_page() -> None:
    bench = bench_in(State.LOCKED)
    assert bench.refused(Reset(0, bench.nonce())) == Reason.NOT_TRIPPED
    bench.send(Stop(1))
    number = bench.board.trip_number
    assert bench.refused(Reset(number + 1, 1)) == Reason.WRONG_TRIP
    assert bench.refused(Reset(number, 1)) == Reason.BAD_NONCE
    used = bench.nonce()
    assert bench.refused(Reset(number + 1, used)) == Reason.WRONG_TRIP
    assert bench.refused(Reset(number, used)) == Reason.BAD_NONCE
    assert bench.board.state == State.TRIPPED
    bench.reset_trip()
    assert bench.board.state == State.LOCKED


@pytest.mark.parametrize(
    ("remembered", "reset_cause", "state", "cause"),
    [
        (State.LOCKED, ResetCause.POWER_ON, State.LOCKED, Cause.NONE),
        (State.LOCKED, ResetCause.EXTERNAL, State.LOCKED, Cause.NONE),
        (State.LOCKED, ResetCause.WATCHDOG, State.TRIPPED, Cause.WATCHDOG_RESET),
        (State.LOCKED, ResetCause.BROWN_OUT, State.TRIPPED, Cause.BROWN_OUT),
        (State.WARNING, ResetCause.POWER_ON, State.TRIPPED, Cause.RESET_WHILE_ARMED),
        (State.ARMED, ResetCause.POWER_ON, State.TRIPPED, Cause.RESET_WHILE_ARMED),
        (State.ARMED, ResetCause.EXTERNAL, State.TRIPPED, Cause.RESET_WHILE_ARMED),
        (State.ARMED, ResetCause.WATCHDOG, State.TRIPPED, Cause.WATCHDOG_RESET),
        (State.ARMED, ResetCause.BROWN_OUT, State.TRIPPED, Cause.BROWN_OUT),
        (State.TRIPPED, ResetCause.POWER_ON, State.TRIPPED, Cause.KEY_OFF),
        (State.TRIPPED, ResetCause.WATCHDOG, State.TRIPPED, Cause.KEY_OFF),
    ],
)
def test_power_up(remembered: State, reset_cause: ResetCause, state: State, cause: Cause) -> None:
    kept = Cause.KEY_OFF if remembered == State.TRIPPED else Cause.NONE
    memory = BoardMemory(remembered, kept, 0xFFFF, 0xFFFF_FFFF)
    board = CoreBench(BOARD, memory, reset_cause).board
    fresh_trip = state == State.TRIPPED and remembered != State.TRIPPED
    assert (board.state, board.cause) == (state, cause)
    assert board.trip_number == (0 if fresh_trip else 0xFFFF)
    assert board.memory.boot_id == 0
    assert board.shown_state == state


def test_a_memory_that_says_nothing_lawful_is_a_trip() -> None:
    """The page knows four states; a damaged store may say anything."""
    core = library()
    handle = core.cw_new(CBoard(), CMemory(0, 5, 77, 0), 0xF7, 0)
    memory = core.cw_memory(handle)
    core.cw_free(handle)
    assert (memory.state, memory.cause) == (State.TRIPPED, Cause.INTERNAL_FAULT)
    assert memory.trip_number == 6
