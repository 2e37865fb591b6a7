"""Hosts that lie, replay, flood and ask for everything, against the C core.

Nothing beyond the limits reaches an output, and none of it while the board is not armed. The judge
(tests/pulse_checker.py) sees pulses and limits only.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.link.simulated_settings import Pulse
from firmware_protocol.catalogue import Cause, GuardReason, Reason, State
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import (
    Arm,
    Disarm,
    Hello,
    Limits,
    OutputLimits,
    Refusal,
    Reset,
    Stop,
)
from tests.link.board_bench import BOARD, LIMITS, MS, slot
from tests.link.test_simulated_guard import hostile_performance

from .bench import CoreBench
from .hostile import armed_times, unlawful


def mine(pulses: list[Pulse], output: int) -> list[Pulse]:
    return [p for p in pulses if p.output == output]


@settings(max_examples=50, deadline=None)
@given(
    st.integers(0, 2**32),
    st.sampled_from((0, 777, 2**32 - 3_000_000)),
    st.sampled_from((0, 500)),
)
def test_nothing_beyond_the_limits_is_ever_emitted(
    seed: int, first_tick: int, poll_every: int
) -> None:
    bench = CoreBench(replace(BOARD, first_tick=first_tick), poll_every=poll_every)
    limits = hostile_performance(bench, seed)
    for one in limits:
        assert unlawful(mine(bench.pulses, one.output), one) == []
    assert {p.output for p in bench.pulses} <= {0, 3}
    assert bench.board.broken_offers == 0


def test_the_hostile_hosts_do_press_against_every_limit() -> None:
    """Else the property above would prove little: each reason refuses, and pulses get through."""
    reasons: set[int] = set()
    each: set[int] = set()
    fired = 0
    for seed in range(80):
        bench = CoreBench(replace(BOARD, first_tick=0), poll_every=0)
        hostile_performance(bench, seed)
        for output in bench.status().per_output:
            reasons |= {output.last_guard_reason}
            counted = [n + 1 for n, count in enumerate(output.refused_for) if count]
            assert (output.last_guard_reason in counted) == bool(counted)
            assert sum(output.refused_for) == output.guard_refusals  # of a few hundred at most
            each |= set(counted)
        fired += len(bench.pulses)
    assert reasons == set(GuardReason) - {GuardReason.OFF_TIME}  # the scheduler waits for it
    assert each == reasons - {GuardReason.NONE}
    assert fired > 1000


@pytest.mark.parametrize("seed", range(5))
def test_no_pulse_outside_the_times_that_the_board_called_armed(seed: int) -> None:
    bench = CoreBench(replace(BOARD, first_tick=0), poll_every=0)
    hostile_performance(bench, seed)
    spans = armed_times(bench)
    assert spans
    for pulse in bench.pulses:
        end = pulse.start_tick + pulse.on_ticks
        assert any(since <= pulse.start_tick and end <= until for since, until in spans)


def test_a_recorded_session_played_again_fires_nothing() -> None:
    """Arm frame, nonces, session and all, after a trip that was reset by the operator."""
    bench = CoreBench()
    bench.prove()
    bench.send(Limits(LIMITS))
    first = len(bench.steps)
    bench.arm()
    bench.play_until(bench.tick + 100 * MS, slot(2000, 100))
    recorded = [bytes.fromhex(s["hex"]) for s in bench.steps[first:] if s["do"] == "bytes"]
    assert len(bench.pulses) > 50
    bench.send(Stop(1))
    bench.reset_trip()
    before = len(bench.pulses)
    for wire in recorded:
        bench.send_raw(wire)
        bench.advance(1000)
    assert len(bench.pulses) == before
    assert bench.board.state == State.LOCKED
    bench.arm()  # and while armed anew: its session is another
    for wire in recorded[2:]:
        bench.send_raw(wire)
        bench.advance(1000)
    assert len(bench.pulses) == before
    assert bench.board.cause == Cause.WRONG_SESSION


def test_frames_of_this_session_played_again_change_nothing() -> None:
    bench = CoreBench().armed()
    loud = bench.frame(slot(1000, 400))
    bench.send(loud)
    bench.advance(5000)
    bench.voices()
    for _ in range(20):
        bench.send(loud)
        bench.advance(1000)
    assert len(bench.pulses) == 6
    bench.advance(60 * MS)
    assert bench.status().stale_frames == 20


def test_a_replayed_frame_renews_no_lease() -> None:
    bench = CoreBench().armed()
    frame = bench.frame(lease=500_000)
    bench.send(frame)
    begun = bench.tick
    for _ in range(49):
        bench.advance(10_000)
        bench.send(frame)
    bench.advance_to(begun + 499_999)
    assert bench.board.state == State.ARMED
    bench.advance(1)
    assert bench.board.cause == Cause.LEASE_EXPIRED


def test_a_flood_of_new_frames_stays_lawful_and_can_be_stopped() -> None:
    """A hundred frames a millisecond, each a new start at full length."""
    bench = CoreBench().armed(OutputLimits(0, 400, 200, 2000, 240_000, 20, 6000))
    limits = OutputLimits(0, 400, 200, 2000, 240_000, 20, 6000)
    for number in range(3000):
        bench.voices(slot(200, 400, start=number & 0xFF), slot(233, 400, start=number & 0xFF))
        bench.at(bench.tick + 20)
        if bench.board.state == State.TRIPPED:
            bench.reset_trip()
            bench.arm()
    assert unlawful(bench.pulses, limits) == []
    assert len(bench.pulses) > 5
    bench.send(Stop(3))
    stopped = bench.tick
    bench.advance(50_000)
    assert bench.board.state == State.TRIPPED
    assert max(p.start_tick + p.on_ticks for p in bench.pulses) <= stopped


def test_a_flood_of_scheduled_frames_is_refused_when_the_queue_is_full() -> None:
    bench = CoreBench().armed()
    answers = [bench.voices(slot(900), at=bench.tick + 1000 + n) for n in range(40)]
    refused = [a[0].reason for a in answers if a and isinstance(a[0], Refusal)]
    assert refused == [Reason.QUEUE_FULL] * 24


@pytest.mark.parametrize(
    "message", [Hello(), Hello(9), Limits(LIMITS), Limits(replace(LIMITS, output=9))]
)
def test_setting_up_while_armed_is_a_trip(message: Hello | Limits) -> None:
    bench = CoreBench().armed()
    bench.voices(slot(500, 100))
    bench.advance(2000)
    digest = bench.board.digest()
    bench.send(message)
    now = bench.tick
    bench.advance(50_000)
    assert bench.board.cause == Cause.SETUP_WHILE_ARMED
    assert bench.board.digest() == digest
    assert all(p.start_tick + p.on_ticks <= now for p in bench.pulses)


def test_10_ms_pulses_are_never_lit() -> None:
    bench = CoreBench().armed()
    for _ in range(8):
        bench.voices(slot(24_000, 20_000), slot(24_000, 65_535))
        bench.advance(30_000)
        if bench.board.state == State.TRIPPED:
            bench.reset_trip()
            bench.arm()
    assert bench.pulses == []
    assert bench.status().per_output[0].last_guard_reason == GuardReason.ON_TIME


def test_old_nonces_arm_and_reset_nothing() -> None:
    bench = CoreBench()
    bench.prove()
    bench.send(Limits(LIMITS))
    used = bench.nonce()
    bench.send(Arm(used, bench.board.digest()))
    bench.send(Disarm())
    bench.advance(1)
    assert bench.refused(Arm(used, bench.board.digest())) == Reason.BAD_NONCE
    assert bench.refused(Arm(bench.board.session, bench.board.digest())) == Reason.BAD_NONCE
    bench.send(Stop(1))
    assert bench.refused(Reset(bench.board.trip_number, used)) == Reason.BAD_NONCE


@settings(max_examples=60, deadline=None)
@given(st.binary(min_size=1, max_size=400), st.integers(0, 10))
def test_noise_on_the_line_while_armed_extends_and_fires_nothing(noise: bytes, gap: int) -> None:
    """Random bytes hold a good frame (of CRC and session) once in 2**48: not here."""
    bench = CoreBench().armed()
    begun = bench.tick
    for byte in noise:
        bench.send_raw(bytes((byte,)))
        bench.at(bench.tick + gap * 40)
    bench.advance_to(max(bench.tick, begun + 499_999))
    assert bench.board.state == State.ARMED
    assert bench.pulses == []
    bench.advance(1)
    assert bench.board.cause == Cause.LEASE_EXPIRED


@pytest.mark.parametrize("cut", [1, 5, 16, 30])
def test_a_frame_that_lost_its_tail_is_dropped_and_the_next_is_good(cut: int) -> None:
    bench = CoreBench().armed()
    message = bench.frame(slot(1000))
    wire = encode_frame(message.TYPE, 0, message.payload())
    bench.send_raw(wire[:cut])
    bench.send_raw(b"\x00")
    bench.voices(slot(1000))
    bench.advance(5500)
    assert len(bench.pulses) == 6
    bench.advance(60 * MS)
    assert bench.status().bad_frames == 1


@pytest.mark.parametrize("length", [0, 5, 16, 18, 28, 30])
def test_voices_of_a_wrong_length(length: int) -> None:
    bench = CoreBench().armed()
    (answer,) = bench.send_raw(encode_frame(0x04, 9, bytes(length)))
    assert isinstance(answer, Refusal)
    assert (answer.type_code, answer.sequence, answer.reason) == (4, 9, Reason.WRONG_LENGTH)
    assert bench.board.state == State.ARMED


@pytest.mark.parametrize("type_code", [0x00, 0x09, 0x41, 0x46, 0xFF])
def test_unknown_types_are_refused_whatever_their_length(type_code: int) -> None:
    bench = CoreBench()
    for length in (0, 1, 124):
        (answer,) = [
            m
            for m in bench.send_raw(encode_frame(type_code, 9, bytes(length)))
            if isinstance(m, Refusal)
        ]
        assert answer.reason == Reason.UNKNOWN_TYPE
