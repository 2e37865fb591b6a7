"""The bound on a status's age against the true age, on lines that lag as they like."""

from __future__ import annotations

import math
import random

from hypothesis import given
from hypothesis import strategies as st

from bridge.link.status_age import StatusAge

HZ = 2_000_000.0
SLOWEST, FASTEST = HZ * (1 - 5e-3), HZ * (1 + 5e-3)


def ticks(time_s: float, rate_hz: float, first: int) -> int:
    return (first + int(time_s * rate_hz)) & 0xFFFF_FFFF


@given(
    seed=st.integers(0, 2**32),
    rate_hz=st.floats(SLOWEST, FASTEST),
    first=st.integers(0, 2**32 - 1),
    most_out_s=st.floats(0, 2),
    most_back_s=st.floats(0, 2),
)
def test_no_status_is_ever_older_than_is_said(
    seed: int, rate_hz: float, first: int, most_out_s: float, most_back_s: float
) -> None:
    """Delays jump about as they like, each way; bytes keep their order as on any serial line."""
    chance = random.Random(seed)
    heard: list[tuple[float, str, float, float]] = []
    last_s = 0.0
    for number in range(60):
        sent_s = 1 + number * 0.05
        made_s = sent_s if number % 4 else sent_s + chance.random() * most_out_s
        last_s = max(last_s, made_s + chance.random() * most_back_s)
        heard.append((last_s, "status" if number % 4 else "pong", sent_s, made_s))
    age, newest_s = StatusAge(HZ), -math.inf
    for now_s, kind, sent_s, made_s in sorted(heard):
        tick = ticks(made_s, rate_hz, first)
        if kind == "pong":
            age.pong(sent_s, now_s, tick)
        else:
            age.status(now_s, tick)
            newest_s = made_s
        if newest_s > -math.inf:
            assert age.at_most_s(now_s) >= now_s - newest_s - 1e-6
            assert age.at_most_s(now_s + 0.1) >= now_s + 0.1 - newest_s - 1e-6


def test_on_a_good_line_the_bound_is_close() -> None:
    age = StatusAge(HZ)
    for number in range(200):
        now_s = number * 0.05
        if number % 4 == 0:
            age.pong(now_s, now_s + 0.004, ticks(now_s + 0.002, SLOWEST, 7))
        age.status(now_s + 0.012, ticks(now_s + 0.01, SLOWEST, 7))
        if number:
            # 2 ms back, 2 ms the way out, and at most 1.1 % of the 0.2 s between pings.
            assert age.at_most_s(now_s + 0.012) < 0.002 + 0.002 + 0.0025


def test_a_lag_that_creeps_in_is_seen_though_every_ping_shares_it() -> None:
    """A millisecond a second for ten minutes: no clock estimate could tell it from an offset."""
    age = StatusAge(HZ)
    told: list[tuple[float, float]] = []
    for number in range(12_000):
        made_s = number * 0.05
        lag_s = 0.001 * made_s
        if number % 4 == 0:
            age.pong(made_s, made_s + lag_s, ticks(made_s, HZ, 0))
        age.status(made_s + lag_s, ticks(made_s, HZ, 0))
        told.append((lag_s, age.at_most_s(made_s + lag_s)))
    assert all(said_s >= lag_s - 1e-6 for lag_s, said_s in told)
    assert told[-1][1] > 0.59


def test_a_counter_that_jumps_ahead_makes_no_status_younger_than_its_receipt() -> None:
    age = StatusAge(HZ)
    age.pong(1.0, 1.002, ticks(1.001, HZ, 0))
    age.status(1.05, ticks(100.0, HZ, 0))
    assert age.at_most_s(1.06) >= 0.0099
    age.pong(2.0, 2.002, ticks(101.0, HZ, 0))  # begins anew
    age.status(2.05, ticks(101.048, HZ, 0))
    assert 0 <= age.at_most_s(2.05) < 0.003
    age.status(3.0, ticks(101.1, HZ, 0))  # 0.9 s on its way
    assert age.at_most_s(3.0) > 0.89


def test_nothing_is_fresh_before_there_is_a_pong() -> None:
    age = StatusAge(HZ)
    assert age.at_most_s(0.0) == math.inf
    age.status(1.0, 5)
    assert age.at_most_s(1.0) == math.inf
    age.pong(1.001, 1.003, 5 + 4000)
    assert age.at_most_s(1.003) < 0.01  # the status that waited is dated by it


def test_a_stuck_counter_grows_old() -> None:
    age = StatusAge(HZ)
    age.pong(1.0, 1.001, 2000)
    for number in range(20):
        age.status(1.0 + number * 0.05, 2000)
    assert age.at_most_s(1.95) > 0.94
