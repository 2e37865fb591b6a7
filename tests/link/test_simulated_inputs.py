"""E-stop inputs: proof test, closing after 100 ms, disagreement after 10 ms; all to one tick."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.catalogue import Cause, State
from firmware_protocol.messages import INPUT_ESTOP_A, INPUT_ESTOP_B, Status

from .board_bench import LIMITS, MS, Bench


def test_the_first_opening_while_locked_is_the_proof_and_no_trip() -> None:
    bench = Bench()
    bench.inputs(estop_a=False, estop_b=False)
    bench.advance(5000 * MS)
    assert (bench.board.state, bench.board.proofs) == (State.LOCKED, 0)
    bench.inputs(estop_a=True, estop_b=True)
    bench.advance(100 * MS - 1)
    assert (bench.board.proofs, bench.board.inputs & 3) == (0, 0)
    (status,) = [m for m in bench.advance(1) if isinstance(m, Status)]
    assert (status.proofs, status.inputs & 3) == (3, INPUT_ESTOP_A | INPUT_ESTOP_B)
    assert bench.board.state == State.LOCKED


@pytest.mark.parametrize("which", ["estop_a", "estop_b"])
def test_once_proven_an_opening_while_locked_trips(which: str) -> None:
    bench = Bench()
    bench.prove()
    bench.inputs(**{which: False})
    assert (bench.board.state, bench.board.cause) == (State.TRIPPED, Cause.ESTOP_OPEN)


def test_the_second_opening_of_an_unproven_input_trips_too() -> None:
    bench = Bench()
    bench.inputs(estop_a=False, estop_b=False)
    bench.at(bench.tick + MS).inputs(estop_a=True)
    bench.at(bench.tick + 100 * MS).inputs(estop_a=False)
    assert bench.board.cause == Cause.ESTOP_OPEN


def test_a_bounce_restarts_the_100_ms_and_is_no_second_opening() -> None:
    bench = Bench()
    bench.inputs(estop_a=False, estop_b=False)
    bench.at(bench.tick + MS).inputs(estop_a=True, estop_b=True)
    bench.at(bench.tick + 100 * MS - 1).inputs(estop_a=False, estop_b=False)
    bench.at(bench.tick + 1).inputs(estop_a=True, estop_b=True)
    bench.advance(100 * MS - 1)
    assert (bench.board.state, bench.board.proofs) == (State.LOCKED, 0)
    bench.advance(1)
    assert (bench.board.state, bench.board.proofs) == (State.LOCKED, 3)


def test_opening_counts_at_once_and_for_the_shortest_time() -> None:
    bench = Bench().armed()
    bench.inputs(estop_a=False)
    bench.inputs(estop_a=True)
    assert bench.board.cause == Cause.ESTOP_OPEN


@pytest.mark.parametrize(("apart", "trips"), [(10 * MS - 1, False), (10 * MS, True)])
@pytest.mark.parametrize(("first", "second"), [("estop_a", "estop_b"), ("estop_b", "estop_a")])
def test_inputs_that_disagree_for_10_ms_while_locked_trip(
    apart: int, trips: bool, first: str, second: str
) -> None:
    bench = Bench()
    bench.inputs(**{first: False})
    bench.at(bench.tick + apart).inputs(**{second: False})
    bench.advance(20 * MS)
    assert bench.board.cause == (Cause.ESTOP_DISAGREE if trips else Cause.NONE)


@pytest.mark.parametrize(("apart", "trips"), [(10 * MS - 1, False), (10 * MS, True)])
def test_closing_apart_is_a_disagreement_too(apart: int, trips: bool) -> None:
    bench = Bench()
    bench.inputs(estop_a=False, estop_b=False)
    bench.at(bench.tick + MS).inputs(estop_a=True)
    bench.at(bench.tick + apart).inputs(estop_b=True)
    bench.advance(150 * MS)
    assert bench.board.cause == (Cause.ESTOP_DISAGREE if trips else Cause.NONE)


def test_a_disagreement_that_outlives_its_reset_trips_again() -> None:
    bench = Bench()
    bench.inputs(estop_a=False)
    bench.advance(5 * MS)
    bench.board.internal_fault(bench.tick)
    bench.advance(100 * MS)
    bench.reset_trip()
    bench.advance(10 * MS - 1)
    assert bench.board.state == State.LOCKED
    bench.advance(1)
    assert bench.board.cause == Cause.ESTOP_DISAGREE


def test_an_input_open_at_the_start_is_proven_by_closing() -> None:
    bench = Bench()
    bench.inputs(estop_a=False, estop_b=False)
    bench.prove()  # from here on tripped or not does not matter: restart with both open
    bench.inputs(estop_a=False, estop_b=False)
    bench.board.reset(bench.tick, bench.board._reset_cause)  # pyright: ignore[reportPrivateUsage]
    assert bench.board.proofs == 0
    bench.at(bench.tick + MS).inputs(estop_a=True, estop_b=True)
    bench.advance(100 * MS)
    assert bench.board.proofs == 3


def test_key_and_local_stop_and_ready_are_no_trip_while_locked() -> None:
    bench = Bench()
    bench.inputs(key=False, local_stop=True, ready={0: False, 3: False})
    statuses = [m for m in bench.advance(1) if isinstance(m, Status)]
    assert [s.inputs for s in statuses] == [0b0110_1011]
    assert bench.board.state == State.LOCKED


def test_an_output_without_limits_may_lose_its_ready_input() -> None:
    bench = Bench().armed(LIMITS)
    bench.inputs(ready={1: False})
    assert bench.board.state == State.ARMED


level = st.none() | st.booleans()


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 110 * MS), level, level, st.booleans()), min_size=1, max_size=12
    )
)
def test_an_armed_board_never_outlives_an_opening(
    moves: list[tuple[int, bool | None, bool | None, bool]],
) -> None:
    bench = Bench().armed()
    for wait, a, b, renew in moves:
        if renew:
            bench.voices()
        bench.advance(wait)
        was_armed = bench.board.state == State.ARMED
        bench.inputs(estop_a=a, estop_b=b)
        if was_armed and False in (a, b):
            assert bench.board.cause == Cause.ESTOP_OPEN
        if bench.board.inputs & 3 != 3:
            assert bench.board.state != State.ARMED
