"""Setting up and arming in the C core, from PROTOCOL.md, section 6, condition by condition."""

from __future__ import annotations

import ctypes
from dataclasses import replace

import pytest

from bridge.link.simulated_settings import BoardMemory
from firmware_protocol.catalogue import Cause, Reason, State
from firmware_protocol.messages import (
    Arm,
    Disarm,
    Hello,
    Identity,
    Limits,
    LimitsSet,
    OutputLimits,
    Ping,
    Pong,
    limits_digest,
)
from tests.link.board_bench import BOARD, LIMITS, MS

from .bench import CoreBench
from .interlock_bench import bench_in
from .library import library

NO_OUTPUT = replace(LIMITS, output=9)


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


@pytest.mark.parametrize("output", [0, 1, 2, 3])
def test_limits_of_any_output_let_arm_and_ask_for_its_ready_input(output: int) -> None:
    bench = CoreBench()
    bench.prove()
    bench.send(Limits(replace(LIMITS, output=output)))
    others = {n: False for n in range(4) if n != output}
    bench.inputs(ready={**others, output: False})
    assert bench.refused(Arm(bench.nonce(), bench.board.digest())) == Reason.OUTPUT_NOT_READY
    bench.inputs(ready={output: True})
    bench.arm()
    assert bench.board.state == State.ARMED


def test_hello_tells_the_limits_of_every_output_that_has_some() -> None:
    bench = bench_in(State.LOCKED)
    for output in (3, 1):
        bench.send(Limits(replace(LIMITS, output=output)))
    told = [m.limits.output for m in bench.send(Hello()) if isinstance(m, LimitsSet)]
    assert told == [0, 1, 3]


@pytest.mark.parametrize("message", [Hello(), Hello(9), Limits(LIMITS), Limits(NO_OUTPUT)])
@pytest.mark.parametrize("state", [State.WARNING, State.ARMED])
def test_setting_up_once_armed_is_a_trip_and_no_refusal(
    message: Hello | Limits, state: State
) -> None:
    bench = bench_in(state)
    assert bench.send(message) == []
    assert (bench.board.state, bench.board.cause) == (State.TRIPPED, Cause.SETUP_WHILE_ARMED)


@pytest.mark.parametrize("output", [4, 5, 255])
def test_limits_of_an_output_that_is_not_there(output: int) -> None:
    bench = CoreBench()
    assert bench.refused(Limits(replace(LIMITS, output=output))) == Reason.NO_SUCH_OUTPUT


def test_limits_while_tripped() -> None:
    bench = bench_in(State.TRIPPED)
    assert bench.refused(Limits(LIMITS)) == Reason.NOT_LOCKED


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
    bench.board.outgoing_full(True)  # nobody reads 43,000 statuses
    bench.advance(2**32)
    bench.board.outgoing_full(False)
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
