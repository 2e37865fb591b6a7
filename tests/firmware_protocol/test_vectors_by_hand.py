"""Entries of `trains.json` worked out by plain arithmetic from PROTOCOL.md, without the model.

The bench proves the e-stop (1 ms open, 100 ms closed) and arms at once: 202,000 ticks after the
program's start. Limits: off-time 200 ticks.
"""

from __future__ import annotations

from typing import Any

import pytest

from firmware_protocol.catalogue import Cause, State

from .test_vectors import TRAINS, replay_board

START = 202_000
PLAYING = START + 20_000
ON, OFF = 100, 200


def pulses(name: str) -> list[list[int]]:
    return TRAINS[name]["pulses"]


def uncobs(wire: bytes) -> bytes:
    """COBS undone by the letter of the paper."""
    out, at = bytearray(), 0
    while wire[at]:
        code = wire[at]
        out += wire[at + 1 : at + code]
        at += code
        if code < 0xFF and wire[at]:
            out.append(0)
    return bytes(out)


@pytest.mark.parametrize(("name", "first"), [("solo", 0), ("solo over the wrap", 2**32 - 300_000)])
def test_solo(name: str, first: int) -> None:
    armed = first + PLAYING
    expected: list[list[int]] = []
    grid = armed * 256
    while -(-grid // 256) + ON <= armed + 500_000:
        expected.append([0, -(-grid // 256), ON])
        grid += 1_163_636
    assert len(expected) == 110  # 250 ms of 440 Hz
    assert pulses(name) == expected


def test_the_wrap_is_inside_its_vector() -> None:
    starts = [start for _, start, _ in pulses("solo over the wrap")]
    assert starts[0] < 2**32 < starts[-1]


def test_bangs() -> None:
    first = [[0, PLAYING + 2000 * k, ON] for k in range(3)]
    second = [[0, PLAYING + 80_000 + 1000 + 2000 * k, ON] for k in range(3)]
    assert pulses("bangs") == first + second


def test_stop_cuts_the_pulse() -> None:
    first = PLAYING + 5000
    assert pulses("stop in mid-pulse") == [
        [0, first, 400],
        [0, first + 10_000, 400],
        [0, first + 20_000, 150],
    ]
    end = TRAINS["stop in mid-pulse"]["end"]
    assert (end["state"], end["cause"], end["trip_number"]) == (State.TRIPPED, Cause.HOST_STOP, 1)


def test_two_trains_alternate() -> None:
    expected: list[list[int]] = []
    for k in range(10):
        expected += [[0, PLAYING + 3000 * k, ON], [0, PLAYING + 3000 * k + ON + OFF, ON]]
    assert pulses("two trains collide") == expected


def test_dropping_is_fair() -> None:
    """1,120 ticks between starts, half a period is 1,000: one fires at each point, each once."""
    first = PLAYING + 6000
    assert pulses("dropped after half a period") == [[0, first + 2000 * k, 120] for k in range(4)]
    # Four trains of four bangs: 16 wanted, 4 fired; `collisions_dropped` follows `pulses` (u16).
    outputs_at = 4 + 1 + 1 + 2 + 4 + 1 + 1 + 7 * 2 + 1
    status = last_status_after_end("dropped after half a period")
    assert status[outputs_at - 1] == 4
    assert int.from_bytes(status[outputs_at : outputs_at + 2], "little") == 4
    assert int.from_bytes(status[outputs_at + 2 : outputs_at + 4], "little") == 12


def last_status_after_end(name: str) -> bytes:
    """The status of the board after replaying the file."""
    return replay_board(TRAINS[name]).status().payload()


def test_step_ramp() -> None:
    gaps = [2000.0, 2000, 2000, 1997.5, 1995, 1992.5]
    at, expected = float(PLAYING), [float(PLAYING)]
    while at < PLAYING + 44_500:
        index = len(expected) - 1
        if at >= PLAYING + 24_500:  # the frame of 2,500 ticks has come
            at += 2500
        else:
            at += gaps[index] if index < len(gaps) else 1990
        expected.append(at)
    rounded = [[0, int(-(-t // 1)), ON] for t in expected if t + ON <= PLAYING + 44_500]
    assert pulses("step ramp") == rounded


def test_lease_ends_in_mid_pulse() -> None:
    whole = [[0, PLAYING + 1000 * k, ON] for k in range(40)]
    assert pulses("lease") == [*whole, [0, PLAYING + 40_000, 50]]
    assert TRAINS["lease"]["end"]["cause"] == Cause.LEASE_EXPIRED


def test_rate_is_refused_and_trips_at_the_17th() -> None:
    assert pulses("guard: rate") == [[0, PLAYING + 2000 * k, 50] for k in range(300)]
    assert TRAINS["guard: rate"]["end"]["cause"] == Cause.GUARD_REFUSALS
    assert tripped_at("guard: rate") == PLAYING + 2000 * 316


def test_overlong_pulses_are_refused_and_trip() -> None:
    assert pulses("guard: on-time") == [[0, PLAYING + 4000 * k, 400] for k in range(3)]
    assert tripped_at("guard: on-time") == PLAYING + 24_000 * 16


def tripped_at(name: str) -> int:
    """Tick of the first status that says tripped (state is the fifth payload byte)."""
    for tick, data in TRAINS[name]["output"]:
        body = uncobs(bytes.fromhex(data))
        if body[0] == 0x42 and body[2 + 4] == State.TRIPPED:
            return tick
    raise AssertionError("never tripped")


def test_horn_first() -> None:
    plays = PLAYING + 240_000  # 10 ms after the horn's end
    assert pulses("horn") == [[0, plays + 2000 * k, ON] for k in range(8)]
    assert TRAINS["horn"]["end"]["state"] == State.LOCKED


def test_spread_by_the_generator_as_written() -> None:
    """Output 2 of the vector: 20 bangs, period 4,000 ticks, spread 128."""
    x, grid, expected = 0xACE1 ^ 2, PLAYING * 256, []
    period = 4000 * 256
    for _ in range(20):
        expected.append([2, -(-grid // 256), ON])
        x ^= (x << 7) % 65_536
        x ^= x >> 9
        x ^= (x << 8) % 65_536
        r = x // 256 - 128
        grid += period + (period // 256 * 128 * r) // 128
    assert [p for p in pulses("spread") if p[0] == 2] == expected


def test_a_broken_contact_trips_after_10_ms() -> None:
    end: dict[str, Any] = TRAINS["broken contact"]["end"]
    assert (end["cause"], tripped_at("broken contact")) == (Cause.ESTOP_DISAGREE, 20_000)


def test_a_board_that_lost_power_while_armed_starts_tripped() -> None:
    end = TRAINS["starts armed"]["end"]
    assert (end["state"], end["cause"]) == (State.TRIPPED, Cause.RESET_WHILE_ARMED)
    assert (end["trip_number"], end["boot_id"]) == (0, 0)  # 65,535 and 2**32 - 1, plus one
