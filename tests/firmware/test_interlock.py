"""Permission to fire in the C core, from PROTOCOL.md's tables (sections 4 to 6), row by row.

Trips, the horn, the table of states. Reset and power-up: test_interlock_reset.py.
"""

from __future__ import annotations

import ctypes
import re
from pathlib import Path

import pytest

from firmware_protocol import catalogue
from firmware_protocol.catalogue import Cause, Reason, State
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    Disarm,
    Limits,
    Ping,
    Pong,
    Voices,
)
from tests.link.board_bench import LIMITS, MS, slot

from .bench import CoreBench
from .interlock_bench import ACTS, HORN, bench_in
from .library import FIRMWARE, CMemory, library

FROM_LOCKED = {Cause.ESTOP_OPEN, Cause.HOST_STOP, Cause.PIN_MISMATCH, Cause.INTERNAL_FAULT}
"""Section 5: "Causes 11 and 16 trip from locked too", a stop from any, an e-stop once proven."""


@pytest.mark.parametrize("cause", ACTS)
@pytest.mark.parametrize("state", [State.LOCKED, State.WARNING, State.ARMED, State.TRIPPED])
def test_every_cause_in_every_state(state: State, cause: Cause) -> None:
    if cause == Cause.GUARD_REFUSALS and state != State.ARMED:
        return  # pulses are judged in armed alone
    bench = bench_in(state)
    number = bench.board.trip_number
    ACTS[cause](bench)
    bench.advance(1)
    if state == State.TRIPPED:
        assert (bench.board.cause, bench.board.trip_number) == (Cause.HOST_STOP, number)
    elif state == State.LOCKED and cause not in FROM_LOCKED:
        assert (bench.board.state, bench.board.trip_number) == (State.LOCKED, number)
    else:
        assert (bench.board.state, bench.board.cause) == (State.TRIPPED, cause)
        assert bench.board.trip_number == number + 1
        assert bench.board.session == 0
    assert bench.board.shown_state == bench.board.state


@pytest.mark.parametrize("a_first", [True, False])
def test_contacts_that_disagree_for_10_ms(a_first: bool) -> None:
    bench = CoreBench()
    bench.inputs(**{"estop_a" if a_first else "estop_b": False})
    bench.advance(10 * MS - 1)
    assert bench.board.state == State.LOCKED
    bench.advance(1)
    assert (bench.board.state, bench.board.cause) == (State.TRIPPED, Cause.ESTOP_DISAGREE)


def test_a_disagreement_is_counted_from_its_beginning() -> None:
    """Whatever else moves meanwhile."""
    bench = CoreBench()
    bench.inputs(estop_a=False)
    begun = bench.tick
    for n in range(1, 4):
        bench.at(begun + 3 * n * MS).inputs(key=bool(n % 2))
    bench.advance_to(begun + 10 * MS - 1)
    assert bench.board.state == State.LOCKED
    bench.advance(1)
    assert bench.board.cause == Cause.ESTOP_DISAGREE


def test_a_disagreement_that_outlasts_a_reset_is_counted_anew_from_it() -> None:
    bench = bench_in(State.TRIPPED)
    bench.inputs(estop_a=False)
    bench.advance(30 * MS)
    bench.reset_trip()
    bench.advance(10 * MS - 1)
    assert bench.board.state == State.LOCKED
    bench.advance(1)
    assert bench.board.cause == Cause.ESTOP_DISAGREE


@pytest.mark.parametrize("cause", ACTS)
def test_a_trip_makes_dark_in_mid_pulse_and_forgets_all(cause: Cause) -> None:
    """A pulse of 400 ticks every 2,000, more on the way in the queue; cut 150 ticks into one."""
    bench = bench_in(State.ARMED)
    if cause in (Cause.LEASE_EXPIRED, Cause.GUARD_REFUSALS):
        return  # they come at their own time: see below
    bench.voices(slot(2000, 400))
    bench.voices(slot(3000, 400, start=9), at=bench.tick + 8000)
    begun = bench.tick
    bench.at(begun + 2150)
    ACTS[cause](bench)
    bench.advance(100 * MS)
    assert [(p.start_tick - begun, p.on_ticks) for p in bench.pulses] == [(0, 400), (2000, 150)]
    assert bench.status().per_output[0].queued == 0
    assert not bench.board.is_lit(0)


def test_an_expiry_makes_dark_in_mid_pulse() -> None:
    bench = bench_in(State.ARMED)
    begun = bench.tick
    bench.voices(slot(2000, 400), lease=2150)
    bench.advance(100 * MS)
    assert [(p.start_tick - begun, p.on_ticks) for p in bench.pulses] == [(0, 400), (2000, 150)]
    assert bench.board.cause == Cause.LEASE_EXPIRED


def test_warning_is_silent_and_everything_trips() -> None:
    bench = CoreBench(HORN)
    bench.prove()
    bench.send(Limits(LIMITS))
    bench.arm()
    begun = bench.tick
    assert bench.board.shown_state == State.WARNING
    assert bench.refused(bench.frame(slot(1000))) == Reason.NOT_ARMED
    bench.voices()
    bench.advance_to(begun + 120 * MS - 1)
    assert bench.refused(bench.frame(slot(1000))) == Reason.NOT_ARMED
    bench.advance(1)
    assert bench.board.shown_state == State.ARMED
    bench.voices(slot(1000))
    bench.advance(500)
    assert len(bench.pulses) == 1


def test_disarm_in_the_warning_never_fires() -> None:
    bench = CoreBench(HORN)
    bench.prove()
    bench.send(Limits(LIMITS))
    bench.arm()
    bench.send(Disarm())
    bench.advance(200 * MS)
    assert bench.board.state == State.LOCKED


@pytest.mark.parametrize("state", [State.LOCKED, State.TRIPPED])
def test_voices_outside_armed(state: State) -> None:
    bench = bench_in(state)
    message = Voices(0, 0, 1, FLAG_IMMEDIATE, 0, bench.board.wire_tick + 1000, (slot(1000),))
    assert bench.refused(message) == Reason.NOT_ARMED
    bench.advance(5000)
    assert bench.pulses == []


def test_a_full_outgoing_buffer_loses_answers_whole_and_nothing_else() -> None:
    bench = bench_in(State.ARMED)
    bench.board.outgoing_full(True)
    assert bench.send(Ping(1, 0)) == []
    bench.voices(slot(1000))
    bench.advance(5000)
    bench.board.outgoing_full(False)
    assert [type(m) for m in bench.send(Ping(2, 0))] == [Pong]
    assert len(bench.pulses) == 5  # and the sixth is under way


def test_the_numbers_are_those_of_the_catalogue() -> None:
    """core/catalogue.h against catalogue.py, which another test holds to PROTOCOL.md."""
    text = Path(FIRMWARE, "core", "catalogue.h").read_text(encoding="utf-8")
    for prefix, names in (
        ("STATE", catalogue.State),
        ("CAUSE", catalogue.Cause),
        ("REASON", catalogue.Reason),
        ("GUARD", catalogue.GuardReason),
        ("RESET", catalogue.ResetCause),
    ):
        found = dict(re.findall(rf"#define {prefix}_([A-Z0-9_]+) (\d+)U", text))
        found.pop("NONE", None)
        expected = {one.name: str(int(one)) for one in names if one.name != "NONE"}
        assert found == expected


ARM, ARM_WITH_HORN, HORN_END, DISARM, GRAVE_CAUSE, CAUSE, RESET = range(7)
"""The events of core/permission.h."""
MOVES = {
    (State.LOCKED, ARM): State.ARMED,
    (State.LOCKED, ARM_WITH_HORN): State.WARNING,
    (State.WARNING, HORN_END): State.ARMED,
    (State.WARNING, DISARM): State.LOCKED,
    (State.ARMED, DISARM): State.LOCKED,
    (State.TRIPPED, RESET): State.LOCKED,
}
"""Section 4's table, without the trips."""


@pytest.fixture
def board() -> CoreBench:
    """One that remembers what is told to be remembered."""
    return CoreBench()


@pytest.mark.usefixtures("board")
@pytest.mark.parametrize("state", [*State, 77])
@pytest.mark.parametrize("event", [*range(8), 255])
def test_the_table_and_nothing_else_moves_the_state(state: int, event: int) -> None:
    """Not the causes (they trip, by another way), nor what is no event, nor from no state."""
    core = library()
    assert core.cw_permission_size() == ctypes.sizeof(CMemory)
    memory = CMemory(1, 2, state, 9)
    moved = MOVES.get((State(state), event)) if state in set(State) else None
    assert core.permission_move(memory, event) == (moved is not None)
    assert memory.state == (state if moved is None else moved)
    assert (memory.cause, memory.trip_number) == (9 if moved is None else 0, 2)
