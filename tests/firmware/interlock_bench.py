"""Boards of the C core in each state, and what trips them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from firmware_protocol.catalogue import Cause, State
from firmware_protocol.messages import Hello, Limits, Stop
from tests.link.board_bench import BOARD, LIMITS, MS, slot

from .bench import CoreBench

HORN = replace(BOARD, horn_ms=120)


def bench_in(state: State) -> CoreBench:
    """A proven board with limits, in `state`, for cause 5 where tripped."""
    bench = CoreBench(HORN if state == State.WARNING else BOARD)
    bench.prove()
    bench.send(Limits(LIMITS))
    if state in (State.WARNING, State.ARMED):
        bench.arm()
    if state == State.TRIPPED:
        bench.send(Stop(1))
    bench.advance(1)
    assert bench.board.state == state
    return bench


def guard_refusals(bench: CoreBench) -> None:
    bench.voices(slot(300, 401))
    bench.advance(20 * 300)


def wrong_session(bench: CoreBench) -> None:
    bench.send(bench.frame(session=bench.board.session ^ 1))


def lease(bench: CoreBench) -> None:
    bench.advance(250 * MS)


ACTS: dict[Cause, Callable[[CoreBench], object]] = {
    Cause.ESTOP_OPEN: lambda b: b.inputs(estop_a=False, estop_b=False),
    Cause.KEY_OFF: lambda b: b.inputs(key=False),
    Cause.LOCAL_STOP: lambda b: b.inputs(local_stop=True),
    Cause.HOST_STOP: lambda b: b.send(Stop(1)),
    Cause.LINE_BREAK: lambda b: b.line_break(),
    Cause.LEASE_EXPIRED: lease,
    Cause.WRONG_SESSION: wrong_session,
    Cause.SETUP_WHILE_ARMED: lambda b: b.send(Hello()),
    Cause.GUARD_REFUSALS: guard_refusals,
    Cause.PIN_MISMATCH: lambda b: b.inputs(pin_mismatch=True),
    Cause.NOT_READY: lambda b: b.inputs(ready={0: False}),
    Cause.INTERNAL_FAULT: lambda b: b.board.internal_fault(b.tick),
}
