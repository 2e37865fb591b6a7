"""States by their table, every cause of a trip, and what a start of the program begins with."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import product

import pytest

from bridge.link.simulated_permission import GRAVE_CAUSES, TRANSITIONS, Event, Permission
from bridge.link.simulated_settings import BoardMemory
from firmware_protocol.catalogue import Cause, Reason, ResetCause, State
from firmware_protocol.messages import Disarm, Hello, Limits, Reset, Status, Stop

from .board_bench import BOARD, LIMITS, MS, Bench, slot

# The table of PROTOCOL.md, section 4, typed from the page, not from the code.
PAGE_TABLE = {
    (State.LOCKED, Event.ARM): State.ARMED,
    (State.LOCKED, Event.ARM_WITH_HORN): State.WARNING,
    (State.WARNING, Event.HORN_END): State.ARMED,
    (State.WARNING, Event.DISARM): State.LOCKED,
    (State.ARMED, Event.DISARM): State.LOCKED,
    (State.LOCKED, Event.GRAVE): State.TRIPPED,
    (State.WARNING, Event.GRAVE): State.TRIPPED,
    (State.ARMED, Event.GRAVE): State.TRIPPED,
    (State.WARNING, Event.CAUSE): State.TRIPPED,
    (State.ARMED, Event.CAUSE): State.TRIPPED,
    (State.TRIPPED, Event.RESET): State.LOCKED,
}


def test_the_table_is_that_of_the_page() -> None:
    assert TRANSITIONS == PAGE_TABLE


def permission_in(state: State) -> tuple[Permission, BoardMemory]:
    memory = BoardMemory()
    permission = Permission(memory, ResetCause.POWER_ON)
    memory.state = state
    memory.cause = Cause.KEY_OFF if state == State.TRIPPED else Cause.NONE
    return permission, memory


@pytest.mark.parametrize(("state", "event"), list(product(State, Event)))
def test_every_state_and_event(state: State, event: Event) -> None:
    permission, memory = permission_in(state)
    following = PAGE_TABLE.get((state, event), state)
    match event:
        case Event.GRAVE:
            changed = permission.trip(Cause.HOST_STOP)
        case Event.CAUSE:
            changed = permission.trip(Cause.LEASE_EXPIRED)
        case _:
            changed = permission.move(event)
    assert permission.state == memory.state == following
    assert changed == (following != state)


@pytest.mark.parametrize(("state", "cause"), list(product(State, [c for c in Cause if c])))
def test_every_cause_in_every_state(state: State, cause: Cause) -> None:
    """From locked only the grave ones; in tripped the first cause and its number stay."""
    permission, memory = permission_in(state)
    trips = state in (State.WARNING, State.ARMED) or (
        state == State.LOCKED and cause in GRAVE_CAUSES
    )
    before = (memory.cause, memory.trip_number)
    assert permission.trip(cause) == trips
    assert (memory.cause, memory.trip_number) == ((cause, 1) if trips else before)


def test_only_arm_and_the_horn_lead_to_firing() -> None:
    firing = {key for key, to in TRANSITIONS.items() if to in (State.WARNING, State.ARMED)}
    assert firing == {
        (State.LOCKED, Event.ARM),
        (State.LOCKED, Event.ARM_WITH_HORN),
        (State.WARNING, Event.HORN_END),
    }


# -- power-up ------------------------------------------------------------------------------------

LOCKED, TRIPPED = (State.LOCKED, Cause.NONE, 7), State.TRIPPED
POWER_UP = {
    (State.LOCKED, ResetCause.POWER_ON): LOCKED,
    (State.LOCKED, ResetCause.EXTERNAL): LOCKED,
    (State.LOCKED, ResetCause.WATCHDOG): (TRIPPED, Cause.WATCHDOG_RESET, 8),
    (State.LOCKED, ResetCause.BROWN_OUT): (TRIPPED, Cause.BROWN_OUT, 8),
    (State.TRIPPED, ResetCause.POWER_ON): (TRIPPED, Cause.KEY_OFF, 7),
    (State.TRIPPED, ResetCause.EXTERNAL): (TRIPPED, Cause.KEY_OFF, 7),
    (State.TRIPPED, ResetCause.WATCHDOG): (TRIPPED, Cause.KEY_OFF, 7),
    (State.TRIPPED, ResetCause.BROWN_OUT): (TRIPPED, Cause.KEY_OFF, 7),
} | {
    (state, reset): (TRIPPED, cause, 8)
    for state in (State.WARNING, State.ARMED)
    for reset, cause in {
        ResetCause.POWER_ON: Cause.RESET_WHILE_ARMED,
        ResetCause.EXTERNAL: Cause.RESET_WHILE_ARMED,
        ResetCause.WATCHDOG: Cause.WATCHDOG_RESET,
        ResetCause.BROWN_OUT: Cause.BROWN_OUT,
    }.items()
}


@pytest.mark.parametrize(("remembered", "reset"), list(product(State, ResetCause)))
def test_power_up(remembered: State, reset: ResetCause) -> None:
    cause = Cause.KEY_OFF if remembered == State.TRIPPED else Cause.NONE
    bench = Bench(memory=BoardMemory(remembered, cause, 7, 41), power_on=reset)
    board = bench.board
    assert (board.state, board.cause, board.trip_number) == POWER_UP[remembered, reset]
    assert board.boot_id == 42
    assert board.proofs == 0
    assert board.limits_in_force() == []


def test_trip_number_and_boot_id_wrap() -> None:
    bench = Bench(memory=BoardMemory(State.ARMED, Cause.NONE, 0xFFFF, 0xFFFF_FFFF))
    assert (bench.board.trip_number, bench.board.boot_id) == (0, 0)


def test_limits_and_proofs_do_not_outlive_a_restart_and_the_trip_does() -> None:
    bench = Bench().armed()
    bench.voices(slot(3000, 400))
    bench.at(bench.tick + 100).restart(ResetCause.EXTERNAL)
    bench.advance(10)
    assert bench.board.cause == Cause.RESET_WHILE_ARMED
    assert bench.board.proofs == 0
    assert bench.board.limits_in_force() == []
    assert [p.on_ticks for p in bench.pulses] == [100]
    assert bench.board.wire_tick == 10


# -- every cause, by what really brings it about -------------------------------------------------


def _starve(bench: Bench) -> None:
    bench.advance(600 * MS)


def _over_limit(bench: Bench) -> None:
    bench.voices(slot(1000, 401))
    bench.advance(17_000)


def _restart(cause: ResetCause) -> Callable[[Bench], None]:
    return lambda bench: bench.restart(cause)


BRINGS_ABOUT: dict[Cause, Callable[[Bench], object]] = {
    Cause.ESTOP_OPEN: lambda b: b.inputs(estop_b=False),
    Cause.KEY_OFF: lambda b: b.inputs(key=False),
    Cause.LOCAL_STOP: lambda b: b.inputs(local_stop=True),
    Cause.HOST_STOP: lambda b: b.send(Stop(1)),
    Cause.LINE_BREAK: lambda b: b.line_break(),
    Cause.LEASE_EXPIRED: _starve,
    Cause.WRONG_SESSION: lambda b: b.voices(session=b.board.session ^ 1),
    Cause.SETUP_WHILE_ARMED: lambda b: b.send(Hello()),
    Cause.GUARD_REFUSALS: _over_limit,
    Cause.PIN_MISMATCH: lambda b: b.inputs(pin_mismatch=True),
    Cause.WATCHDOG_RESET: _restart(ResetCause.WATCHDOG),
    Cause.BROWN_OUT: _restart(ResetCause.BROWN_OUT),
    Cause.RESET_WHILE_ARMED: _restart(ResetCause.EXTERNAL),
    Cause.NOT_READY: lambda b: b.inputs(ready={0: False}),
    Cause.INTERNAL_FAULT: lambda b: b.board.internal_fault(b.tick),
}
GONE: dict[Cause, dict[str, object]] = {
    Cause.ESTOP_OPEN: {"estop_b": True},
    Cause.KEY_OFF: {"key": True},
    Cause.LOCAL_STOP: {"local_stop": False},
    Cause.PIN_MISMATCH: {"pin_mismatch": False},
    Cause.NOT_READY: {"ready": {0: True}},
}
"""Causes that last, and the inputs that end them. A break lasts too; no frame can meet it."""


def test_every_cause_has_its_test() -> None:
    # two inputs that disagree can only be met while locked: see test_simulated_inputs
    assert set(BRINGS_ABOUT) == set(Cause) - {Cause.NONE, Cause.ESTOP_DISAGREE}


@pytest.mark.parametrize("horn_ms", [0, 1000], ids=["armed", "warning"])
@pytest.mark.parametrize("cause", BRINGS_ABOUT)
def test_cause_trips_latches_and_is_reset_by_hand(cause: Cause, horn_ms: int) -> None:
    if cause == Cause.GUARD_REFUSALS and horn_ms:
        pytest.skip("no pulse is decided while the horn sounds")
    bench = Bench(replace(BOARD, horn_ms=horn_ms)).armed()
    assert bench.board.state == (State.WARNING if horn_ms else State.ARMED)
    BRINGS_ABOUT[cause](bench)
    statuses = [m for m in bench.advance(1) if isinstance(m, Status)]
    board = bench.board
    assert (board.state, board.cause, board.trip_number) == (State.TRIPPED, cause, 1)
    assert board.session == 0
    if cause not in (Cause.LEASE_EXPIRED, Cause.GUARD_REFUSALS):  # told before this tick
        assert [(s.state, s.cause, s.trip_number) for s in statuses] == [(2, cause, 1)]
    bench.send_raw(b"\x00")
    # a later cause changes nothing
    bench.send(Stop(2))
    bench.advance(1)
    assert (board.cause, board.trip_number) == (cause, 1)
    if cause in GONE:
        assert bench.refused(Reset(1, bench.nonce())) == Reason.CAUSE_REMAINS
        bench.inputs(**GONE[cause])
        bench.advance(100 * MS)
        assert board.state == State.TRIPPED, "the end of a cause is no reset"
    bench.advance(3000 * MS)
    assert board.state == State.TRIPPED
    bench.reset_trip()
    assert (board.state, board.cause) == (State.LOCKED, Cause.NONE)


@pytest.mark.parametrize("cause", BRINGS_ABOUT)
def test_a_trip_makes_every_output_dark_in_mid_pulse(cause: Cause) -> None:
    if cause in (Cause.LEASE_EXPIRED, Cause.GUARD_REFUSALS):
        pytest.skip("see the lease and guard tests: these come at their own tick")
    bench = Bench().armed(LIMITS, replace(LIMITS, output=1))
    begun = bench.tick
    bench.voices(slot(5000, 400))
    bench.voices(slot(5000, 400), output=1, at=begun + 30)
    bench.voices(slot(5000, 400), at=begun + 3000)
    bench.at(begun + 130)
    BRINGS_ABOUT[cause](bench)
    bench.advance(100_000)
    assert [(p.output, p.start_tick - begun, p.on_ticks) for p in bench.pulses] == [
        (0, 0, 130),
        (1, 30, 100),
    ]
    assert all(output.queued == 0 for output in bench.status().per_output)


def test_a_guard_trip_cuts_the_other_outputs_too() -> None:
    bench = Bench().armed(LIMITS, replace(LIMITS, output=1))
    begun = bench.tick
    bench.voices(slot(1000, 401), output=1)
    bench.at(begun + 15_900).voices(slot(90_000, 400))
    bench.advance(100_000)
    assert bench.board.cause == Cause.GUARD_REFUSALS
    assert [(p.start_tick - begun, p.on_ticks) for p in bench.pulses] == [(15_900, 100)]


def test_a_stop_is_taken_in_every_state_and_answered() -> None:
    for prepare in (lambda b: None, lambda b: b.armed(), lambda b: b.board.internal_fault(0)):
        bench = Bench()
        prepare(bench)
        bench.advance(10)
        assert bench.send(Stop(3)) == []
        (status,) = bench.advance(0)
        assert isinstance(status, Status)
        assert status.state == State.TRIPPED
        assert status.refused_frames == 0


def test_disarm_in_mid_pulse_is_dark_and_no_trip() -> None:
    bench = Bench().armed()
    bench.voices(slot(5000, 400))
    bench.at(bench.tick + 33).send(Disarm())
    bench.advance(50_000)
    assert (bench.board.state, bench.board.trip_number) == (State.LOCKED, 0)
    assert [p.on_ticks for p in bench.pulses] == [33]


@pytest.mark.parametrize("state", [State.LOCKED, State.TRIPPED])
def test_disarm_elsewhere_changes_nothing(state: State) -> None:
    bench = Bench()
    if state == State.TRIPPED:
        bench.send(Stop(1))
    assert bench.send(Disarm()) == []
    assert bench.board.state == state


@pytest.mark.parametrize(
    "message", [Hello(), Hello(99), Limits(LIMITS), Limits(replace(LIMITS, output=9))]
)
def test_hello_and_limits_while_armed_trip_whatever_they_say(message: Hello | Limits) -> None:
    bench = Bench().armed()
    assert bench.send(message) == []
    assert bench.board.cause == Cause.SETUP_WHILE_ARMED
    assert bench.status().refused_frames == 0
