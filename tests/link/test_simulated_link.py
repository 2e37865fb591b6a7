"""Board and line together, in seconds: clock error, bursts in bangs, a full outgoing buffer."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from bridge.link.line_noise import LineNoise
from bridge.link.simulated_controller import BoardMemory, SimulatedController
from bridge.link.simulated_link import OUTGOING_BYTES, SimulatedLink
from firmware_protocol.catalogue import Cause, State
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    Arm,
    HostMessage,
    Limits,
    Ping,
    Pong,
    Status,
    Stop,
    Voices,
)

from .board_bench import BOARD, LIMITS, slot


def wire(message: HostMessage) -> bytes:
    return encode_frame(message.TYPE, 0, message.payload())


def make(ppm: float = 0.0, noise: LineNoise | None = None, start_s: float = 100.0) -> SimulatedLink:
    board = SimulatedController(replace(BOARD, clock_error_ppm=ppm), BoardMemory())
    return SimulatedLink(board, to_board=noise, start_s=start_s)


def received(link: SimulatedLink, type_code: int) -> list[tuple[float, bytes]]:
    reader = FrameReader()
    return [
        (time, frame.payload)
        for time, data in link.take_received()
        for frame in reader.feed(data)
        if frame.type_code == type_code
    ]


def armed(link: SimulatedLink, now_s: float = 101.0) -> float:
    """Armed over the line; the time after it."""
    board = link.controller
    link.advance(now_s)
    board.prove_estop(board.tick)
    now_s += 0.2
    link.write(now_s, wire(Limits(LIMITS)) + wire(Ping(1, 1)))
    link.advance(now_s + 0.01)
    (pong,) = [Pong.parse(payload) for _, payload in received(link, Pong.TYPE)]
    link.write(now_s + 0.01, wire(Arm(pong.nonce, board.digest())))
    link.advance(now_s + 0.02)
    assert board.state == State.ARMED
    return now_s + 0.02


@pytest.mark.parametrize("ppm", [-5000.0, 0.0, 5000.0])
def test_the_boards_clock_may_be_wrong_and_the_lines_is_not(ppm: float) -> None:
    link = make(ppm)
    link.write(100.0, wire(Ping(7)))
    link.advance(101.0)
    ((time, payload),) = received(link, Pong.TYPE)
    pong = Pong.parse(payload)
    sent = len(wire(Ping(7))) * 20e-6
    assert pong.received_at == int(sent * 2_000_000 * (1 + ppm * 1e-6))
    first_status = 35 + 10 * 4  # still on the line when the answer is ready
    assert sent < time - 100.0 < sent + (first_status + 30) * 20e-6
    assert link.controller.tick == pytest.approx(2_000_000 * (1 + ppm * 1e-6), abs=1)


def test_ticks_and_seconds_are_inverse() -> None:
    link = make(4321.0)
    for tick in (0, 1, 999_983, 10**10):
        assert abs(link.tick_at(link.seconds_at(tick) + 1e-8) - tick) <= 1


@pytest.mark.parametrize("bursts", [0.0, 1.0])
def test_bursts_hit_only_what_meets_a_bang(bursts: float) -> None:
    link = make(noise=LineNoise(4, bursts=bursts) if bursts else None)
    board = link.controller
    now = armed(link)
    voices = Voices(
        board.session,
        0,
        1,
        FLAG_IMMEDIATE,
        0,
        (board.wire_tick + 400_000) & 0xFFFF_FFFF,
        (slot(4000, 400),),
    )  # 200 µs of 2 ms: ten bytes in a hundred
    link.write(now, wire(voices))
    link.advance(now + 0.002)
    assert board.state == State.ARMED
    assert board.status().bad_frames == 0, "no bang yet, nothing to hit"
    link.write(now + 0.002, b"\x05\x01\x02\x03\x04\x00" * 500)  # 60 ms
    link.advance(now + 0.1)
    status = board.status()
    if bursts:
        assert status.line_errors > 50
        assert status.line_errors_in_bangs == status.line_errors
    else:
        assert (status.line_errors, status.bad_frames) == (0, 500)


def test_a_flood_fills_the_outgoing_buffer_and_no_more() -> None:
    link = make()
    link.write(100.5, wire(Stop(1)) * 2000)
    for step in range(400):
        now = 100.5 + step * 0.001
        link.advance(now)
        assert link.to_host.unsent_bytes(now) <= OUTGOING_BYTES
    assert link.dropped_answers > 1000
    assert link.controller.cause == Cause.HOST_STOP
    assert received(link, Status.TYPE)


def test_a_break_trips_through_the_line() -> None:
    link = make()
    now = armed(link)
    link.to_board.hold_low(now, 0.004)
    link.advance(now + 0.0019)
    assert link.controller.state == State.ARMED
    link.advance(now + 0.0021)
    assert link.controller.cause == Cause.LINE_BREAK
    status = link.controller.status()
    assert (status.breaks, status.line_errors) == (1, 1)


def test_next_event_is_never_missed() -> None:
    """Stepping from event to event gives what one long step gives."""
    fine, coarse = make(), make()
    for link in (fine, coarse):
        now = armed(link)
        board = link.controller
        expiry = (board.wire_tick + 400_000) & 0xFFFF_FFFF
        link.write(now, wire(Voices(board.session, 0, 1, 1, 0, expiry, (slot(4567, 99),))))
    end = 101.6
    while fine.next_event_s() < end:
        fine.advance(fine.next_event_s() + 1e-9)
    fine.advance(end)
    coarse.advance(end)
    assert fine.controller.take_pulses() == coarse.controller.take_pulses()
    assert fine.take_received() == coarse.take_received()
    assert fine.controller.cause == Cause.LEASE_EXPIRED


NOISES: dict[str, dict[str, float | bool]] = {
    "clean": {},
    "loss": {"loss": 0.5, "one_loss_in_a_row": True},
    "flips": {"flip": 0.5, "one_loss_in_a_row": True},
    "duplicates": {"duplicate": 1.0, "jitter_s": 0.06},
    "delay": {"jitter_s": 0.05},
    "bursts": {"bursts": 0.3, "one_loss_in_a_row": True},
    "all but bursts": {
        "loss": 0.3,
        "flip": 0.3,
        "duplicate": 0.3,
        "jitter_s": 0.04,
        "one_loss_in_a_row": True,
    },
}


@pytest.mark.parametrize("garbage", [b"", b"\x00", b"\xff\x13\x00"], ids=["", "zeros", "garbage"])
@pytest.mark.parametrize("wire_name", NOISES)
def test_a_steady_note_survives_every_wire(wire_name: str, garbage: bytes) -> None:
    """Loss is healed by the next refresh; duplicates and delay never move the grid."""
    board = SimulatedController(BOARD, BoardMemory())
    link = SimulatedLink(board, start_s=0.0)
    now = armed(link, 0.2)
    link.to_board.noise = LineNoise(11, **NOISES[wire_name])  # type: ignore[arg-type]
    for number in range(1, 40):
        expiry = (link.tick_at(now) + 400_000) & 0xFFFF_FFFF
        frame = Voices(board.session, 0, number, FLAG_IMMEDIATE, 0, expiry, (slot(4000, 100),))
        link.write(now, garbage + wire(frame))
        now += 0.037
        link.advance(now)
    assert board.state == State.ARMED
    starts = [p.start_tick for p in board.take_pulses()]
    assert {b - a for a, b in pairwise(starts)} == {4000}
    assert len(starts) > 36 * 0.037 * 500
    assert board.status().refused_frames == 0
    assert board.status().per_output[0].guard_refusals == 0
