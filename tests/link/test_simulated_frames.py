"""Form, setting up and status: what is refused, dropped, counted and answered."""

from __future__ import annotations

from dataclasses import replace

import pytest

from firmware_protocol.catalogue import Cause, Reason, State
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import (
    Hello,
    Identity,
    Limits,
    LimitsSet,
    Refusal,
    Status,
    Stop,
    limits_digest,
)

from .board_bench import BOARD, LIMITS, MS, Bench, slot

SECOND = 1000 * MS


def raw_reason(bench: Bench, type_code: int, payload: bytes) -> Reason:
    (answer,) = bench.send_raw(encode_frame(type_code, 77, payload))
    assert isinstance(answer, Refusal)
    assert (answer.type_code, answer.sequence) == (type_code, 77)
    return Reason(answer.reason)


@pytest.mark.parametrize("type_code", [0x00, 0x09, 0x41, 0x46, 0xFF])
def test_unknown_type(type_code: int) -> None:
    assert raw_reason(Bench(), type_code, b"") == Reason.UNKNOWN_TYPE


@pytest.mark.parametrize(
    ("type_code", "payload"),
    [(1, b""), (2, bytes(24)), (3, bytes(7)), (4, bytes(16)), (5, b"x"), (7, b""), (8, bytes(4))],
)
def test_wrong_length(type_code: int, payload: bytes) -> None:
    for bench in (Bench(), Bench().armed()):
        state = bench.board.state
        assert raw_reason(bench, type_code, payload) == Reason.WRONG_LENGTH
        assert bench.board.state == state
        assert bench.status().refused_frames == 1


@pytest.mark.parametrize("payload", [b"", b"\x01", b"\x01\x02", bytes(100)])
def test_a_stop_of_any_length_is_a_stop(payload: bytes) -> None:
    bench = Bench().armed()
    assert bench.send_raw(encode_frame(Stop.TYPE, 0, payload)) == []
    assert bench.board.cause == Cause.HOST_STOP


def test_malformed_is_counted_and_never_answered() -> None:
    bench = Bench()
    bench.advance(10)
    assert bench.send_raw(b"\x05\x01\x02\x00" + b"\x01" * 200 + b"\x00") == []
    assert bench.status().bad_frames == 2
    assert bench.status().refused_frames == 0


def test_a_framing_error_spoils_its_frame() -> None:
    bench = Bench().armed()
    stop = encode_frame(Stop.TYPE, 0, b"\x01")
    bench.send_raw(stop[:4])
    bench.line_error()
    bench.send_raw(stop[4:])
    assert (bench.board.state, bench.status().bad_frames) == (State.ARMED, 1)
    assert (bench.status().line_errors, bench.status().line_errors_in_bangs) == (1, 0)


@pytest.mark.parametrize(("after", "counted"), [(0, 1), (99, 1), (100, 0)])
def test_line_errors_in_bangs(after: int, counted: int) -> None:
    bench = Bench().armed()
    bench.voices(slot(5000, 100))
    bench.advance(after)
    bench.line_error()
    assert bench.status().line_errors_in_bangs == counted


def test_a_break_while_locked_is_counted_only() -> None:
    bench = Bench()
    bench.line_break()
    assert (bench.board.state, bench.status().breaks) == (State.LOCKED, 1)


def test_hello_is_answered_by_identity_and_every_limit() -> None:
    bench = Bench()
    bench.send(Limits(replace(LIMITS, output=2)))
    bench.send(Limits(LIMITS))
    identity, first, second = bench.send(Hello())
    assert isinstance(identity, Identity)
    assert (identity.board_id, identity.boot_id, identity.outputs) == (BOARD.board_id, 1, 4)
    digest = limits_digest(BOARD.build, BOARD.board_id, 1, [LIMITS, replace(LIMITS, output=2)])
    assert identity.digest == digest
    assert [first, second] == [
        LimitsSet(LIMITS, digest),
        LimitsSet(replace(LIMITS, output=2), digest),
    ]


def test_wrong_version() -> None:
    assert Bench().refused(Hello(2)) == Reason.WRONG_VERSION


def test_limits_not_locked() -> None:
    bench = Bench()
    bench.send(Stop(1))
    assert bench.refused(Limits(LIMITS)) == Reason.NOT_LOCKED


def test_limits_no_such_output() -> None:
    assert Bench().refused(Limits(replace(LIMITS, output=4))) == Reason.NO_SUCH_OUTPUT
    two = Bench(replace(BOARD, outputs=2))
    assert two.refused(Limits(replace(LIMITS, output=2))) == Reason.NO_SUCH_OUTPUT


@pytest.mark.parametrize(
    "change",
    [
        {"max_on_ticks": 0},
        {"max_starts_1s": 0},
        {"max_duty_1s_ticks": 0},
        {"window2_ms": 0, "window2_ticks": 1},
        {"window2_ms": 4, "window2_ticks": 100},
        {"window2_ms": 10_001, "window2_ticks": 100},
        {"window2_ms": 5, "window2_ticks": 0},
        {"window3_ms": 0, "window3_ticks": 1},
        {"window3_ms": 4, "window3_ticks": 100},
        {"window3_ms": 10_001, "window3_ticks": 100},
        {"window3_ms": 5, "window3_ticks": 0},
    ],
)
def test_bad_limits(change: dict[str, int]) -> None:
    assert Bench().refused(Limits(replace(LIMITS, **change))) == Reason.BAD_LIMITS


@pytest.mark.parametrize(
    "change",
    [
        {"max_on_ticks": 1, "max_starts_1s": 1, "max_duty_1s_ticks": 1},
        {"window2_ms": 5, "window2_ticks": 1},
        {"window3_ms": 10_000, "window3_ticks": 2**32 - 1},
        {"max_on_ticks": 800, "min_off_ticks": 200, "max_duty_1s_ticks": 240_000},
    ],
)
def test_good_limits_at_the_edges(change: dict[str, int]) -> None:
    bench = Bench()
    new = replace(LIMITS, **change)
    (answer,) = bench.send(Limits(new))
    assert isinstance(answer, LimitsSet)
    assert answer.limits == new


LOOSER_BY_ONE = [
    {"max_on_ticks": 801},
    {"min_off_ticks": 199},
    {"max_starts_1s": 2001},
    {"max_duty_1s_ticks": 240_001},
]


@pytest.mark.parametrize("change", LOOSER_BY_ONE)
def test_above_ceiling(change: dict[str, int]) -> None:
    assert Bench().refused(Limits(replace(LIMITS, **change))) == Reason.ABOVE_CEILING


TIGHT = replace(
    LIMITS,
    max_on_ticks=300,
    min_off_ticks=300,
    max_starts_1s=300,
    max_duty_1s_ticks=30_000,
    window2_ms=20,
    window2_ticks=3000,
)


@pytest.mark.parametrize(
    "change",
    [
        {"max_on_ticks": 301},
        {"min_off_ticks": 299},
        {"max_starts_1s": 301},
        {"max_duty_1s_ticks": 30_001},
        {"window2_ticks": 3001},
        {"window2_ms": 0, "window2_ticks": 0},
        {"window2_ms": 21},
        {"window2_ms": 19},
    ],
)
def test_would_loosen(change: dict[str, int]) -> None:
    bench = Bench()
    bench.send(Limits(TIGHT))
    assert bench.refused(Limits(replace(TIGHT, **change))) == Reason.WOULD_LOOSEN
    assert bench.board.limits_in_force() == [TIGHT]


def test_tightening_and_adding_a_window_are_taken() -> None:
    bench = Bench()
    bench.send(Limits(TIGHT))
    tighter = replace(
        TIGHT,
        max_on_ticks=299,
        min_off_ticks=301,
        window2_ticks=2999,
        window3_ms=7,
        window3_ticks=9,
    )
    bench.send(Limits(tighter))
    assert bench.board.limits_in_force() == [tighter]


def status_ticks(bench: Bench) -> list[int]:
    return [tick for tick, data in bench.sent if data[1] == Status.TYPE]


def test_status_every_50_ms_from_the_start() -> None:
    bench = Bench(replace(BOARD, first_tick=2**32 - 150 * MS))
    bench.advance(225 * MS)
    first = bench.board.settings.first_tick
    assert status_ticks(bench) == [first + k * 50 * MS for k in range(5)]


def test_status_on_change_moves_nothing_and_comes_once_a_tick() -> None:
    bench = Bench()
    bench.at(70 * MS).inputs(key=False)
    bench.inputs(local_stop=True)
    bench.at(100 * MS).inputs(key=True)
    bench.advance(0)
    assert status_ticks(bench) == [0, 50 * MS, 70 * MS, 100 * MS]


def test_time_must_not_fall() -> None:
    bench = Bench()
    bench.advance(100)
    with pytest.raises(ValueError, match="tick 99 is before 100"):
        bench.board.advance(99)
