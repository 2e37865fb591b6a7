"""The map from a master's clock to host time: drift, jitter, late arrivals, jumps."""

from __future__ import annotations

import random

import pytest

from bridge.clocks import HostS
from bridge.show.clock_map import MOST_SLEW, ClockMap, RobustLine

REPORT_S = 0.1


@pytest.mark.parametrize("ppm", [-5000, -300, -100, 0, 100, 300, 5000])
def test_an_hour_of_skew_makes_no_drift(ppm: float) -> None:
    """Reports that are late by an exponential 0.1 ms, one in twenty by up to 20 ms; the bound is
    1 ms at every one of 9,000 looks, 150 ms ahead as the player looks."""
    draw = random.Random(ppm)
    true_rate = 1 + ppm * 1e-6
    clock, worst = ClockMap(RobustLine(20.0)), 0.0
    for index in range(9000):
        at_s = index * 0.4
        late_s = draw.expovariate(1e4) + (draw.uniform(0, 0.02) if draw.random() < 0.05 else 0.0)
        clock.observe(HostS(at_s + late_s), at_s * true_rate, settle=at_s < 10)
        if at_s >= 10:
            error = clock.host_at((at_s + 0.15) * true_rate) - (at_s + 0.15)
            worst = max(worst, abs(error))
    assert worst < 0.001


def test_a_change_of_rate_is_followed_no_faster_than_an_ear_can_tell() -> None:
    clock, position = ClockMap(RobustLine(10.0)), 0.0
    for index in range(600):
        rate = 1.0 if index < 300 else 1.0003
        position += REPORT_S * rate
        clock.observe(HostS(index * REPORT_S), position, settle=index < 20)
        if index > 320:
            assert abs(clock.rate / clock.line.rate - 1) <= MOST_SLEW * 1.001
    assert clock.position_at(HostS(59.9)) == pytest.approx(position, abs=1e-3)


def test_another_place_is_taken_at_once() -> None:
    clock = ClockMap(RobustLine(10.0))
    for index in range(100):
        clock.observe(HostS(index * REPORT_S), index * REPORT_S)
    clock.restart()
    clock.observe(HostS(10.0), 10.0 - 0.0107)  # an underrun: two buffers were not played
    assert clock.host_at(10.0) == pytest.approx(10.0107, abs=1e-4)
