"""Arming, nonces and reset: every reason to refuse them, each to one tick."""

from __future__ import annotations

from dataclasses import replace

import pytest

from firmware_protocol.catalogue import Cause, Reason, ResetCause, State
from firmware_protocol.messages import (
    Arm,
    Armed,
    Disarm,
    Limits,
    Ping,
    Pong,
    Refusal,
    Reset,
    Status,
    Stop,
)

from .board_bench import BOARD, LIMITS, MS, Bench, slot

SECOND = 1000 * MS


def locked(*limits: Limits) -> Bench:
    """Proven and with limits, ready to be armed."""
    bench = Bench()
    bench.prove()
    for one in limits or (Limits(LIMITS),):
        bench.send(one)
    return bench


def try_arm(bench: Bench) -> Reason:
    return bench.refused(Arm(bench.nonce(), bench.board.digest()))


def test_arm_is_tripped() -> None:
    bench = locked()
    bench.send(Stop(1))
    assert try_arm(bench) == Reason.IS_TRIPPED


def test_arm_not_locked() -> None:
    bench = Bench().armed()
    session = bench.board.session
    assert try_arm(bench) == Reason.NOT_LOCKED
    assert (bench.board.state, bench.board.session) == (State.ARMED, session)


@pytest.mark.parametrize("checks", [0, 1, 2])
def test_arm_board_check_failed(checks: int) -> None:
    bench = Bench(replace(BOARD, checks=checks))
    bench.prove()
    bench.send(Limits(LIMITS))
    assert try_arm(bench) == Reason.BOARD_CHECK_FAILED


def test_arm_no_limits() -> None:
    bench = Bench()
    bench.prove()
    assert try_arm(bench) == Reason.NO_LIMITS


@pytest.mark.parametrize("bit", range(0, 32, 5))
def test_arm_wrong_digest(bit: int) -> None:
    bench = locked()
    assert bench.refused(Arm(bench.nonce(), bench.board.digest() ^ 1 << bit)) == Reason.WRONG_DIGEST


def test_arm_estop_is_open() -> None:
    bench = Bench()
    bench.send(Limits(LIMITS))
    bench.inputs(estop_a=False, estop_b=False)
    assert try_arm(bench) == Reason.ESTOP_IS_OPEN


def test_arm_estop_unproven() -> None:
    bench = Bench()
    bench.send(Limits(LIMITS))
    assert try_arm(bench) == Reason.ESTOP_UNPROVEN


@pytest.mark.parametrize("which", ["estop_a", "estop_b"])
def test_arm_with_one_input_proven_is_refused(which: str) -> None:
    """A broken contact trips the proof test; after its reset one proof is still missing."""
    bench = Bench()
    bench.send(Limits(LIMITS))
    bench.inputs(**{which: False})
    bench.at(bench.tick + MS).inputs(**{which: True})
    bench.advance(100 * MS)
    assert bench.board.cause == Cause.ESTOP_DISAGREE
    bench.reset_trip()
    assert bench.board.proofs in (1, 2)
    assert try_arm(bench) == Reason.ESTOP_UNPROVEN


def test_arm_key_is_off() -> None:
    bench = locked()
    bench.inputs(key=False)
    assert try_arm(bench) == Reason.KEY_IS_OFF


def test_arm_local_stop_pressed() -> None:
    bench = locked()
    bench.inputs(local_stop=True)
    assert try_arm(bench) == Reason.LOCAL_STOP_PRESSED


def test_arm_output_not_ready() -> None:
    bench = locked()
    bench.inputs(ready={0: False, 1: False})
    assert try_arm(bench) == Reason.OUTPUT_NOT_READY
    bench.inputs(ready={0: True})
    bench.arm()
    assert bench.board.state == State.ARMED


def test_armed_answer_then_one_status() -> None:
    bench = locked()
    nonce = bench.nonce()
    (armed,) = bench.send(Arm(nonce, bench.board.digest()))
    assert isinstance(armed, Armed)
    assert (armed.nonce, armed.fires_at) == (nonce, bench.board.wire_tick)
    assert armed.session == bench.board.session == nonce + 1
    (status,) = bench.advance(0)
    assert isinstance(status, Status)
    assert (status.state, status.session) == (State.ARMED, armed.session)


def test_the_horn_sounds_for_its_time() -> None:
    bench = Bench(replace(BOARD, horn_ms=100))
    bench.armed()
    begun = bench.tick
    assert bench.board.state == State.WARNING
    assert bench.refused(bench.frame(slot(1000))) == Reason.NOT_ARMED
    bench.advance_to(begun + 100 * MS - 1)
    assert bench.board.state == State.WARNING
    bench.advance(1)
    assert bench.board.state == State.ARMED
    assert bench.memory.state == State.ARMED


@pytest.mark.parametrize(
    ("age", "good"), [(2 * SECOND - 1, 1), (2 * SECOND, 1), (2 * SECOND + 1, 0)]
)
def test_a_nonce_is_good_for_two_seconds(age: int, good: int) -> None:
    bench = locked()
    arm = Arm(bench.nonce(), bench.board.digest())
    bench.at(bench.tick + age)
    bench.send(arm)
    assert bench.board.state == (State.ARMED if good else State.LOCKED)

    tripped = Bench()
    tripped.send(Stop(1))
    reset = Reset(1, tripped.nonce())
    tripped.at(tripped.tick + age)
    tripped.send(reset)
    assert tripped.board.state == (State.LOCKED if good else State.TRIPPED)


def test_a_nonce_arms_once() -> None:
    bench = locked()
    arm = Arm(bench.nonce(), bench.board.digest())
    bench.send(arm)
    bench.send(Disarm())
    assert bench.refused(arm) == Reason.BAD_NONCE


def test_a_refused_arm_uses_its_nonce_up() -> None:
    bench = locked()
    nonce = bench.nonce()
    bench.refused(Arm(nonce, 0))
    assert bench.refused(Arm(nonce, bench.board.digest())) == Reason.BAD_NONCE


def test_a_guess_uses_the_nonce_up() -> None:
    bench = locked()
    nonce = bench.nonce()
    assert bench.refused(Arm(nonce ^ 1, bench.board.digest())) == Reason.BAD_NONCE
    assert bench.refused(Arm(nonce, bench.board.digest())) == Reason.BAD_NONCE


def test_only_the_last_nonce_is_good() -> None:
    bench = locked()
    first, second = bench.nonce(), bench.nonce()
    assert second == first + 1
    bench.refused(Arm(first, bench.board.digest()))
    assert bench.board.state == State.LOCKED


def test_a_nonce_of_another_boot_is_not_good() -> None:
    bench = locked()
    nonce = bench.nonce()
    bench.restart(ResetCause.EXTERNAL)
    bench.prove()
    bench.send(Limits(LIMITS))
    assert bench.nonce() != nonce
    assert bench.refused(Arm(nonce, bench.board.digest())) == Reason.BAD_NONCE


def test_without_a_nonce_issued_zero_is_not_good() -> None:
    bench = locked()
    assert bench.refused(Arm(0, bench.board.digest())) == Reason.BAD_NONCE


def test_nonces_count_from_one_and_carry_the_boot() -> None:
    bench = Bench()
    assert [bench.nonce() for _ in range(3)] == [0x0001_0001, 0x0001_0002, 0x0001_0003]
    for _ in range(65_532):
        bench.board._nonces.number()  # pyright: ignore[reportPrivateUsage]
    assert bench.nonce() == 0x0001_0001  # after 65,535 comes 1


def test_ping_without_the_flag_issues_none() -> None:
    bench = Bench()
    bench.at(1234)
    (pong,) = bench.send(Ping(99))[1:]  # the first is the status of the start
    assert pong == Pong(99, 1234, 1234, 0)


def test_reset_not_tripped() -> None:
    for bench in (Bench(), Bench().armed()):
        state = bench.board.state
        assert bench.refused(Reset(0, bench.nonce())) == Reason.NOT_TRIPPED
        assert bench.board.state == state


def test_reset_wrong_trip() -> None:
    bench = Bench()
    bench.send(Stop(1))
    assert bench.refused(Reset(2, bench.nonce())) == Reason.WRONG_TRIP


def test_reset_bad_nonce() -> None:
    bench = Bench()
    bench.send(Stop(1))
    assert bench.refused(Reset(1, 12345)) == Reason.BAD_NONCE


def test_reset_cause_remains_names_the_cause() -> None:
    bench = Bench().armed()
    bench.inputs(key=False)
    (answer,) = bench.send(Reset(1, bench.nonce()))[-1:]
    assert isinstance(answer, Refusal)
    assert (answer.reason, answer.detail) == (Reason.CAUSE_REMAINS, Cause.KEY_OFF)


def test_reset_does_not_arm() -> None:
    bench = Bench().armed()
    bench.send(Stop(1))
    bench.reset_trip()
    bench.advance(SECOND)
    assert bench.board.state == State.LOCKED
    assert bench.refused(bench.frame(session=0)) == Reason.NOT_ARMED
