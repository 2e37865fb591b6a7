"""The law's parts, each by plain arithmetic."""

from __future__ import annotations

import pytest

from bridge.governor.bucket import Flow, Ledger
from bridge.governor.limits import Allowance
from bridge.governor.train import RAMP_S, Train
from tests.governor.stage import ask

HOLD_S = 0.05
DUTY = Allowance(window_ms=100, stretch_s=0.1, flow=1000.0, reserve=400.0, limit_flow=1500.0)
STARTS = Allowance(window_ms=1000, stretch_s=1.0, flow=500.0, reserve=12.0, limit_flow=520.0)


def ledger() -> Ledger:
    made = Ledger([DUTY], STARTS, hold_s=HOLD_S, lease_s=0.2)
    made.advance(1.0)
    return made


def command(made: Ledger, flow: float, on_sum_us: float, owed_us: float = 0.0) -> None:
    made.command(
        flow=flow, starts_flow=0, on_sum_us=on_sum_us, trains=1, owed_us=owed_us, owed_starts=0
    )


def test_the_highest_state_of_the_last_h_is_held() -> None:
    flow = Flow()
    flow.command(5.0, 0.05)
    flow.command(3.0, 0.06)
    flow.command(4.0, 0.07)
    assert list(flow.entries) == [(0.06, 5.0), (float("inf"), 4.0)]
    assert flow.held == 5.0
    flow.command(6.0, 0.08)
    assert flow.held == 6.0


def test_a_level_rises_with_the_held_flow_until_h_after_the_state_was_replaced() -> None:
    made = ledger()
    command(made, 3000.0, 10.0)
    made.advance(1.02)
    assert made.duty[0].level == pytest.approx(2000 * 0.02)
    command(made, 0.0, 0.0)
    made.advance(1.05)
    assert made.duty[0].level == pytest.approx(2000 * 0.05)
    made.advance(1.08)  # held to 1.07, then 10 ms of draining
    assert made.duty[0].level == pytest.approx(2000 * 0.07 - 1000 * 0.01)
    made.advance(9.0)
    assert made.duty[0].level == 0


def test_what_is_owed_waits_for_h_and_does_not_drain_before() -> None:
    made = ledger()
    command(made, 0.0, 0.0, owed_us=100.0)
    made.advance(1.049)
    assert (made.owed_us, made.duty[0].level) == (100.0, 0.0)
    made.advance(1.07)
    assert made.owed_us == 0
    assert made.duty[0].level == pytest.approx(100 - 1000 * 0.02)


def test_the_excess_is_the_sum_of_its_parts() -> None:
    made = ledger()
    command(made, 1500.0, 120.0, owed_us=30.0)
    # pending 30 + owed 7 + O 80 + half of the highest O (120) - reserve 400
    # + held 500 above the flow for H + 200 above it for the lease
    expected = 30 + 7 + 80 + 60 - 400 + 500 * HOLD_S + 200 * 0.2
    assert made.excess(1200.0, 80.0, 7.0)[0] == pytest.approx(expected)


def test_the_highest_pulse_sum_is_remembered_for_a_stretch_and_h() -> None:
    made = ledger()
    command(made, 0.0, 120.0)
    command(made, 0.0, 10.0)
    for now_s in (1.05, 1.1, 1.149):
        made.advance(now_s)
        assert made.duty[0].highest == 120
    made.advance(1.5)
    made.advance(1.9)
    assert made.duty[0].highest == 10


def test_excess_of_starts_is_the_sum_of_its_parts() -> None:
    made = ledger()
    made.command(flow=0, starts_flow=600, on_sum_us=0, trains=4, owed_us=0, owed_starts=3)
    expected = 3 + 2 + 1 + 0.5 * 4 - 12 + 100 * HOLD_S + 0.0
    assert made.excess_starts(400, 1, 2) == pytest.approx(expected)


def test_the_pace_remembers_a_faster_rate_until_its_gaps_are_over() -> None:
    train = Train(HOLD_S)
    train.keep_pace(1.0, ask(1, 800.0))
    train.keep_pace(2.0, ask(1, 800.0))
    assert train.pace_hz == 800
    train.keep_pace(2.1, ask(1, 100.0))
    gone_s = 2.1 + HOLD_S + RAMP_S + 2 / 800
    for step in range(20):
        now_s = 2.1 + 0.01 * step
        train.keep_pace(now_s, ask(1, 100.0))
        assert train.pace_hz == 800 or now_s > gone_s
    train.keep_pace(3.0, ask(1, 100.0))
    train.keep_pace(4.0, ask(1, 100.0))
    assert train.pace_hz == 100
    assert train.settled


def test_the_pace_of_a_spread_train_is_that_of_its_shortest_gap() -> None:
    train = Train(HOLD_S)
    train.keep_pace(1.0, ask(1, 100.0, spread=0.5))
    assert train.pace_hz == 200
