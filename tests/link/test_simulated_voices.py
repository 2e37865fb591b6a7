"""Voices frames: numbers, leases, lateness, slots and the queue, each to one tick."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from firmware_protocol.catalogue import Cause, Reason, State
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import (
    FLAG_FORGET_LATER,
    FLAG_IMMEDIATE,
    Disarm,
    Refusal,
)

from .board_bench import BOARD, LIMITS, MS, Bench, slot

SECOND = 1000 * MS


def raw_reason(bench: Bench, type_code: int, payload: bytes) -> Reason:
    (answer,) = bench.send_raw(encode_frame(type_code, 77, payload))
    assert isinstance(answer, Refusal)
    assert (answer.type_code, answer.sequence) == (type_code, 77)
    return Reason(answer.reason)


def test_voices_not_armed() -> None:
    assert Bench().refused(Bench().frame(slot(1000))) == Reason.NOT_ARMED


def test_a_foreign_session_trips_before_all_else() -> None:
    bench = Bench().armed()
    assert bench.send(bench.frame(output=9, session=1, lease=0)) == []
    assert bench.board.cause == Cause.WRONG_SESSION


def test_a_session_of_an_earlier_arming_trips() -> None:
    bench = Bench().armed()
    old = bench.board.session
    bench.send(Disarm())
    bench.arm()
    bench.voices(session=old)
    assert bench.board.cause == Cause.WRONG_SESSION


def test_voices_no_such_output_and_no_limits() -> None:
    bench = Bench().armed()
    assert bench.refused(bench.frame(output=4)) == Reason.NO_SUCH_OUTPUT
    assert bench.refused(bench.frame(output=1)) == Reason.NO_LIMITS


@pytest.mark.parametrize("last", [0, 5, 0x7FFF, 0x8000, 0xFFFF])
@pytest.mark.parametrize(
    ("ahead", "newer"), [(0, 0), (1, 1), (0x7FFF, 1), (0x8000, 0), (0x8001, 0), (0xFFFF, 0)]
)
def test_number_must_be_newer_with_wrap(last: int, ahead: int, newer: int) -> None:
    bench = Bench().armed()
    bench.voices(number=last)
    assert bench.voices(slot(10_000), number=(last + ahead) & 0xFFFF) == []
    bench.advance(200)
    assert bench.status().stale_frames == 1 - newer
    assert bench.status().refused_frames == 0
    assert len(bench.pulses) == newer


def test_a_stale_frame_renews_no_lease() -> None:
    bench = Bench().armed()
    bench.voices(number=9, lease=1000)
    bench.voices(number=9, lease=400_000)
    bench.advance(1000)
    assert bench.board.cause == Cause.LEASE_EXPIRED


def test_numbers_begin_anew_with_a_session_and_are_each_outputs_own() -> None:
    bench = Bench().armed(LIMITS, replace(LIMITS, output=1))
    bench.voices(number=40_000)
    bench.voices(number=3, output=1)
    bench.send(Disarm())
    bench.arm()
    bench.voices(number=1)
    assert bench.status().stale_frames == 0


@pytest.mark.parametrize(
    ("lease", "good"),
    [(0, 0), (-1, 0), (1, 1), (499_999, 1), (500_000, 1), (500_001, 0), (2**31 - 1, 0)],
)
def test_expiry_within_250_ms(lease: int, good: int) -> None:
    bench = Bench().armed()
    frame = bench.frame(lease=lease)
    if good:
        assert bench.send(frame) == []
    else:
        assert bench.refused(frame) == Reason.BAD_EXPIRY


@pytest.mark.parametrize("first_tick", [0, 2**32 - 202_000 - 50])
@pytest.mark.parametrize(("renewed_at", "armed"), [(99, 1), (100, 1), (101, 0)])
def test_the_lease_ends_at_its_very_tick(renewed_at: int, armed: int, first_tick: int) -> None:
    """A frame received at the expiry still renews it: frames come before leases."""
    bench = Bench(replace(BOARD, first_tick=first_tick)).armed()
    bench.voices(lease=100)
    bench.at(bench.tick + renewed_at)
    bench.send(bench.frame(lease=5000))
    assert bench.board.state == (State.ARMED if armed else State.TRIPPED)
    bench.advance(5000 - 1 if armed else 0)
    assert bench.board.state == (State.ARMED if armed else State.TRIPPED)
    bench.advance(1)
    assert bench.board.cause == Cause.LEASE_EXPIRED


@pytest.mark.parametrize(
    ("ticks", "cause"), [(499_999, Cause.NONE), (500_000, Cause.LEASE_EXPIRED)]
)
def test_arming_gives_each_output_a_lease_of_250_ms(ticks: int, cause: Cause) -> None:
    bench = Bench().armed()
    bench.advance(ticks)
    assert bench.board.cause == cause


def test_a_pulse_due_at_the_expiry_does_not_fire() -> None:
    bench = Bench().armed()
    begun = bench.tick
    bench.voices(slot(1000), lease=3000)
    bench.advance(10_000)
    assert bench.starts() == [begun, begun + 1000, begun + 2000]
    # not even begun and cut at once: on a pin that would be a spike
    assert bench.status().per_output[0].pulses == 3


def test_a_frame_queued_for_the_expiry_is_not_applied() -> None:
    bench = Bench().armed()
    bench.voices(slot(1000), at=bench.tick + 3000, lease=3000)
    bench.advance(10_000)
    assert bench.pulses == []


def test_every_output_needs_its_own_renewal() -> None:
    bench = Bench().armed(LIMITS, replace(LIMITS, output=3))
    for _ in range(14):
        bench.voices()
        bench.advance(37 * MS)
    assert bench.board.cause == Cause.LEASE_EXPIRED


def test_a_lease_may_be_shortened() -> None:
    bench = Bench().armed()
    bench.voices(lease=500_000)
    bench.voices(lease=10)
    bench.advance(10)
    assert bench.board.cause == Cause.LEASE_EXPIRED


def test_a_refused_frame_renews_no_lease() -> None:
    bench = Bench().armed()
    bench.voices(lease=1000)
    bench.refused(bench.frame(slot(199), lease=400_000))
    bench.advance(1000)
    assert bench.board.cause == Cause.LEASE_EXPIRED


def test_a_queued_frame_renews_the_lease_at_once() -> None:
    bench = Bench().armed()
    bench.voices(lease=1000)
    bench.voices(at=bench.tick + 900_000 // 2, lease=400_000)
    bench.advance(399_999)
    assert bench.board.state == State.ARMED


@pytest.mark.parametrize(
    ("ahead", "reason", "late"),
    [
        (500_001, Reason.TOO_FAR_AHEAD, 0),
        (500_000, None, 0),
        (1, None, 0),
        (0, None, 0),
        (-1, None, 1),
        (-40_000, None, 1),
        (-40_001, Reason.TOO_LATE, 0),
    ],
)
def test_apply_at_edges(ahead: int, reason: Reason | None, late: int) -> None:
    bench = Bench().armed()
    frame = bench.frame(slot(10_000), at=bench.tick + ahead)
    if reason is None:
        assert bench.send(frame) == []
    else:
        assert bench.refused(frame) == reason
    status = bench.status()
    assert status.late_frames == late
    assert status.per_output[0].queued == (ahead > 0 and reason is None)
    begun = bench.tick
    bench.advance(200)
    expected = [begun + max(ahead, 0)] if reason is None and ahead < 100 else []
    assert bench.starts() == expected  # a late frame is applied now, never in the past


def test_an_immediate_frame_does_not_look_at_apply_at() -> None:
    bench = Bench().armed()
    bench.send(bench.frame(slot(10_000), at=bench.tick + 10**8, flags=FLAG_IMMEDIATE))
    begun = bench.tick
    bench.advance(200)
    assert bench.starts() == [begun]


@pytest.mark.parametrize(
    ("bad", "good"),
    [
        (slot(1000, 1), slot(1000, 2)),
        (slot(200)._replace(period=51_199), slot(200)),
        (slot(1000, spread=129), slot(1000, spread=128)),
    ],
)
def test_bad_slot(bad: object, good: object) -> None:
    bench = Bench().armed()
    assert bench.refused(bench.frame(slot(2000), bad)) == Reason.BAD_SLOT  # type: ignore[arg-type]
    assert bench.send(bench.frame(slot(2000), good)) == []  # type: ignore[arg-type]


def test_bad_slot_by_mask() -> None:
    bench = Bench().armed()
    payload = bytearray(bench.frame().payload())
    payload[-1] = 0x20
    assert raw_reason(bench, 0x04, bytes(payload)) == Reason.BAD_SLOT


@pytest.mark.parametrize("size", [1, 16, 20])
def test_queue_full(size: int) -> None:
    bench = Bench(replace(BOARD, queue_frames=size)).armed(LIMITS, replace(LIMITS, output=1))
    for n in range(size):
        assert bench.voices(at=bench.tick + 1000 + n) == []
    assert bench.refused(bench.frame(at=bench.tick + 999)) == Reason.QUEUE_FULL
    assert bench.status().per_output[0].queued == size
    assert bench.voices() == []  # immediate
    assert bench.voices(at=bench.tick) == []  # due now
    assert bench.voices(at=bench.tick + 5, output=1) == []  # another output's queue
    assert bench.voices(at=bench.tick + 1000, flags=FLAG_FORGET_LATER) == []
    assert bench.status().per_output[0].queued == 1


def test_a_refused_full_queue_forgets_nothing() -> None:
    bench = Bench().armed()
    for n in range(16):
        bench.voices(at=bench.tick + 1000 + n)
    frame = bench.frame(at=bench.tick + 2000, flags=FLAG_FORGET_LATER)
    assert bench.refused(frame) == Reason.QUEUE_FULL
    assert bench.status().per_output[0].queued == 16


def test_every_reason_of_refusal_has_its_test() -> None:
    """By name; a wrong session has a number and is a trip instead (section 7, check 1)."""
    text = "".join(path.read_text("utf-8") for path in Path(__file__).parent.glob("test_sim*.py"))
    missing = [r for r in Reason if f"Reason.{r.name}" not in text]
    assert [r.value for r in missing] == [20]
