"""Permission to fire in the C core, from PROTOCOL.md's tables (sections 4 to 6), row by row."""

from __future__ import annotations

import ctypes
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.link.simulated_settings import BoardMemory
from firmware_protocol import catalogue
from firmware_protocol.catalogue import Cause, Reason, ResetCause, State
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    Arm,
    Disarm,
    Hello,
    Identity,
    Limits,
    OutputLimits,
    Ping,
    Pong,
    Refusal,
    Reset,
    Stop,
    Voices,
    limits_digest,
)
from tests.link.board_bench import BOARD, LIMITS, MS, slot

from .bench import CoreBench
from .library import FIRMWARE, CBoard, CMemory, library

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


# -- arming ----------------------------------------------------------------------------------------


def test_arming_is_refused_in_the_order_of_the_page() -> None:
    """Everything is wrong; one thing after another is put right, and the next is named."""
    bench = CoreBench(replace(BOARD, checks=3), BoardMemory(State.TRIPPED, Cause.HOST_STOP, 1))
    bench.inputs(estop_a=False, estop_b=False, key=False, local_stop=True, ready={0: False})

    def asked(digest: int | None = None, nonce: int | None = None) -> Reason:
        return bench.refused(
            Arm(
                bench.nonce() if nonce is None else nonce,
                bench.board.digest() if digest is None else digest,
            )
        )

    assert asked() == Reason.IS_TRIPPED
    bench.reset_trip()
    assert asked(nonce=1) == Reason.BAD_NONCE
    assert asked() == Reason.NO_LIMITS
    bench.send(Limits(LIMITS))
    assert asked(bench.board.digest() ^ 1) == Reason.WRONG_DIGEST
    assert asked() == Reason.ESTOP_IS_OPEN
    bench.inputs(estop_a=True, estop_b=True)
    bench.advance(100 * MS - 1)
    assert asked() == Reason.ESTOP_IS_OPEN
    bench.advance(1)
    assert asked() == Reason.KEY_IS_OFF
    bench.inputs(key=True)
    assert asked() == Reason.LOCAL_STOP_PRESSED
    bench.inputs(local_stop=False)
    assert asked() == Reason.OUTPUT_NOT_READY
    bench.inputs(ready={0: True, 1: False})  # output 1 has no limits: it does not matter
    bench.arm()
    assert bench.board.state == State.ARMED
    assert bench.refused(Arm(bench.nonce(), bench.board.digest())) == Reason.NOT_LOCKED


@pytest.mark.parametrize("which", ["estop_a", "estop_b"])
def test_one_open_contact_is_enough_to_refuse(which: str) -> None:
    """In the 10 ms before the disagreement is a trip; it is the proof test of that input."""
    bench = CoreBench()
    bench.send(Limits(LIMITS))
    bench.inputs(**{which: False})
    assert bench.refused(Arm(bench.nonce(), bench.board.digest())) == Reason.ESTOP_IS_OPEN


@pytest.mark.parametrize("checks", [0, 1, 2])
def test_a_board_that_fails_its_checks_never_arms(checks: int) -> None:
    bench = CoreBench(replace(BOARD, checks=checks))
    bench.prove()
    bench.send(Limits(LIMITS))
    assert bench.refused(Arm(1, 2)) == Reason.BOARD_CHECK_FAILED


@pytest.mark.parametrize("proven", ["estop_a", "estop_b"])
def test_both_inputs_must_be_proven(proven: str) -> None:
    bench = CoreBench()
    bench.inputs(**{proven: False})
    bench.at(bench.tick + MS).inputs(**{proven: True})
    bench.advance(100 * MS)
    assert bench.board.cause == Cause.ESTOP_DISAGREE  # for more than 10 ms
    bench.reset_trip()
    bench.send(Limits(LIMITS))
    assert bench.refused(Arm(bench.nonce(), bench.board.digest())) == Reason.ESTOP_UNPROVEN


@pytest.mark.parametrize(
    ("wait", "good"), [(3_999_999, True), (4_000_000, True), (4_000_001, False)]
)
def test_a_nonce_lives_two_seconds(wait: int, good: bool) -> None:
    bench = bench_in(State.LOCKED)
    nonce = bench.nonce()
    bench.advance(wait)
    bench.send(Arm(nonce, bench.board.digest()))
    assert (bench.board.state == State.ARMED) == good


def test_a_nonce_is_not_good_again_when_the_tick_has_gone_round() -> None:
    bench = bench_in(State.LOCKED)
    nonce = bench.nonce()
    bench.advance(2**32)
    assert bench.refused(Arm(nonce, bench.board.digest())) == Reason.BAD_NONCE


def test_nonces_count_from_1_to_65535_and_on_from_1() -> None:
    core = library()
    memory = ctypes.create_string_buffer(core.cw_nonces_size())
    core.nonces_start(memory, 0xABCD_1234)
    assert not core.nonces_use_up(memory, 0, 0)
    numbers = [core.nonces_number(memory) for _ in range(65_536)]
    assert numbers[0] == 0x1234_0001
    assert numbers[-2:] == [0x1234_FFFF, 0x1234_0001]
    issued = core.nonces_issue(memory, 5)
    assert issued == 0x1234_0002
    assert not core.nonces_use_up(memory, issued ^ 1, 5)
    assert not core.nonces_use_up(memory, issued, 5), "used up by the wrong one"


def test_every_nonce_and_session_differs() -> None:
    bench = bench_in(State.LOCKED)
    seen: set[int] = set()
    for _ in range(20):
        (armed,) = [m for m in bench.arm() if not isinstance(m, Pong)]
        seen |= {bench.board.session}
        assert armed.session == bench.board.session  # pyright: ignore[reportAttributeAccessIssue]
        bench.send(Disarm())
    assert len(seen) == 20


def test_only_the_last_nonce_issued_is_good() -> None:
    bench = bench_in(State.LOCKED)
    first, second = bench.nonce(), bench.nonce()
    assert bench.refused(Arm(first, bench.board.digest())) == Reason.BAD_NONCE
    assert bench.refused(Arm(second, bench.board.digest())) == Reason.BAD_NONCE


def test_a_ping_that_asks_for_none_gets_none_and_spoils_none() -> None:
    bench = bench_in(State.LOCKED)
    nonce = bench.nonce()
    (pong,) = bench.send(Ping(5, 0xFE))
    assert isinstance(pong, Pong)
    assert pong.nonce == 0
    bench.send(Arm(nonce, bench.board.digest()))
    assert bench.board.state == State.ARMED


def test_the_digest_is_that_of_the_page() -> None:
    """CRC-32 by zlib, in firmware_protocol/messages.py."""
    bench = CoreBench(replace(BOARD, build=77))
    assert bench.board.digest() == limits_digest(77, BOARD.board_id, 1, [])
    second = OutputLimits(2, 300, 500, 99, 1234, 20, 4000, 50, 5000)
    bench.send(Limits(second))
    bench.send(Limits(LIMITS))
    assert bench.board.digest() == limits_digest(77, BOARD.board_id, 1, [LIMITS, second])


def test_ceilings_looser_than_the_compiled_ones_do_not_count() -> None:
    loose = replace(BOARD.ceilings_by_output[0], max_on_ticks=9999, min_off_ticks=0)
    loose = replace(loose, max_starts_1s=60_000, max_duty_1s_ticks=2_000_000)
    lower = replace(loose, max_on_ticks=500, min_off_ticks=300)
    lower = replace(lower, max_starts_1s=100, max_duty_1s_ticks=5000)
    bench = CoreBench(replace(BOARD, ceilings=(loose, lower, loose, loose)))
    loose_is = BOARD.ceilings_by_output[0]
    (identity,) = [m for m in bench.send(Hello()) if isinstance(m, Identity)]
    assert identity.ceilings == (loose_is, lower, loose_is, loose_is)
    assert bench.refused(Limits(replace(LIMITS, max_on_ticks=801))) == Reason.ABOVE_CEILING


# -- the horn --------------------------------------------------------------------------------------


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


# -- frames that are not obeyed ------------------------------------------------------------------


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


# -- names ---------------------------------------------------------------------------------------


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


def test_what_is_no_event_moves_nothing() -> None:
    """And no event but a trip leads to tripped, nor does any lead out of a state there is not."""
    core = library()
    assert core.cw_permission_size() == ctypes.sizeof(CMemory)
    for state in (*State, 77):
        for event in (4, 5, 7, 255):  # both kinds of cause; two numbers beyond the table
            memory = CMemory(1, 2, int(state), 0)
            assert not core.permission_move(memory, event)
            assert (memory.state, memory.trip_number) == (state, 2)
