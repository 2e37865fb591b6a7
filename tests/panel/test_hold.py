"""Arming by press and hold: long enough, by one person, with signs all the while."""

from __future__ import annotations

import pytest

from bridge.panel.hold import HOLD_S, KEEP_S, ArmHold, Step


def held(hold: ArmHold, seat: int, start_s: float, *, every_s: float, for_s: float) -> list[Step]:
    steps = [hold.begin(start_s, seat, f"seat {seat}")]
    count = int(for_s / every_s + 1e-9)
    return steps + [hold.keep(start_s + (n + 1) * every_s, seat) for n in range(count)]


def test_a_whole_hold_arms_once() -> None:
    steps = held(ArmHold(), 1, 10.0, every_s=0.1, for_s=3.0)
    assert steps.count(Step.DONE) == 1
    assert steps.index(Step.DONE) * 0.1 >= HOLD_S - 1e-9
    assert steps[0] is Step.BEGUN


@pytest.mark.parametrize("for_s", [0.0, 0.5, HOLD_S - 0.1])
def test_a_shorter_one_does_not(for_s: float) -> None:
    hold = ArmHold()
    assert Step.DONE not in held(hold, 1, 10.0, every_s=0.1, for_s=for_s)
    assert hold.end(10.0 + for_s, 1)
    assert hold.keep(12.0, 1) is Step.NONE


def test_signs_in_a_hurry_do_not_make_time_pass() -> None:
    hold = ArmHold()
    hold.begin(10.0, 1, "Mara")
    assert Step.DONE not in [hold.keep(10.0 + n * 1e-4, 1) for n in range(5000)]


def test_a_gap_ends_it() -> None:
    hold = ArmHold()
    assert Step.DONE not in held(hold, 1, 10.0, every_s=KEEP_S + 0.01, for_s=5.0)
    assert hold.progress(20.0) == 0.0


def test_two_together_do_not_add_up() -> None:
    hold = ArmHold()
    assert hold.begin(10.0, 1, "Mara") is Step.BEGUN
    assert hold.begin(10.2, 2, "Ilse") is Step.OTHERS
    assert hold.keep(10.3, 2) is Step.NONE
    assert hold.holder(10.3) == "Mara"
    assert not hold.end(10.3, 2)
    assert hold.keep(10.3, 1) is Step.GOES_ON


def test_after_arming_it_must_be_let_go() -> None:
    hold = ArmHold()
    held(hold, 1, 10.0, every_s=0.1, for_s=2.0)
    assert hold.begin(12.1, 1, "Mara") is Step.NONE
    assert not hold.end(12.2, 1)
    assert hold.begin(12.3, 1, "Mara") is Step.BEGUN
