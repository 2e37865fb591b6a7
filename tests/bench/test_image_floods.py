"""Hosts that say more than a board can obey: lawful all the while, and they can be stopped."""

from __future__ import annotations

from itertools import product

import pytest

from firmware_protocol.catalogue import Cause, State
from firmware_protocol.messages import (
    Arm,
    Disarm,
    Hello,
    HostMessage,
    Limits,
    OutputLimits,
    Ping,
    Reset,
    Stop,
)
from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_TICK
from tests.bench.image_bench import CEILINGS, ImageBench, slot
from tests.bench.judge import judge

pytestmark = pytest.mark.long


def test_a_flood_of_loud_frames_stays_lawful_and_can_be_stopped(armed: ImageBench) -> None:
    """The line full of new starts at full length for 150 ms, and the stop behind them."""
    begin = end = armed.now
    tick, cycle = armed.clock()
    number = 0
    while end < begin + 150 * CYCLES_PER_MS:
        loud = slot(1210, 200, start=number & 0xFF)
        now = tick + (end - cycle) // CYCLES_PER_TICK
        end = armed.send(armed.voices(number % 4, loud, loud, now=now), at=end)
        number += 1
    stopped = armed.send(Stop(3), at=end)
    armed.run_to(stopped + 60 * CYCLES_PER_MS)
    assert judge(armed) > 50
    last = max(p.start_cycle + (p.on_cycles or 0) for p in armed.pulses())
    assert end - 40 * CYCLES_PER_MS < last <= stopped + CYCLES_PER_MS
    assert armed.newest_status().cause == Cause.HOST_STOP
    assert armed.statistics()["uarts"][0]["overruns"] == 0


def test_behind_a_flood_of_questions_the_whole_stop_is_heard(armed: ImageBench) -> None:
    """Each asks for more work than its bytes take time, so bytes are lost, of the stop frame too:
    hence its repetition and the break (PROTOCOL.md, "Stop"). The bound for any stop is 10 ms."""
    note = slot(3000, 400)
    armed.play(o0=(note,), o1=(note,), o2=(note,), o3=(note,))
    armed.run_for(5 * CYCLES_PER_MS)
    kept = armed.keep()
    unheard = 0
    for question, count in product((Ping(1, 1), Reset(1, 2), Arm(1, 2)), range(60, 78, 6)):
        for breaks in (False, True):
            armed.back_to(kept)
            for _ in range(count):
                armed.send(question)
            end = armed.send(Stop(1))
            if breaks:
                armed.low_at(end, 2 * CYCLES_PER_MS)
            armed.run_to(end + 60 * CYCLES_PER_MS)
            if armed.newest_status().state == State.TRIPPED:
                judge(armed, asks_too_fast=True)
                last = max(p.start_cycle + (p.on_cycles or 0) for p in armed.pulses())
                assert last <= end + 3 * CYCLES_PER_MS
            else:
                assert not breaks
                unheard += 1
    print(f"{unheard} of 9 single stop frames were not heard, none with a break")


QUESTIONS: tuple[HostMessage, ...] = (
    Ping(1, 1),
    Reset(1, 2),
    Arm(1, 2),
    Hello(),
    Limits(OutputLimits(0, *CEILINGS)),
    Stop(1),
    Disarm(),
)


@pytest.mark.parametrize("is_armed", [False, True], ids=["locked", "armed"])
def test_no_flood_keeps_the_watchdog_waiting(locked: ImageBench, is_armed: bool) -> None:
    """40 ms of one message without a pause, on four outputs that sound, or in locked: dark, tripped
    or as it was, but never by the watchdog, which waits 16 ms."""
    board = locked
    if is_armed:
        board.arm()
        note = (slot(3000, 400),)
        board.play(o0=note, o1=note, o2=note, o3=note)
        board.run_for(5 * CYCLES_PER_MS)
    else:
        board.set_limits()
    kept = board.keep()
    for question in QUESTIONS:
        board.back_to(kept)
        board.statistics(reset=True)
        end = begin = board.now
        while end < begin + 40 * CYCLES_PER_MS:
            end = board.send(question)
        board.run_to(end + 5 * CYCLES_PER_MS)
        found = board.statistics()
        print(type(question).__name__, round(found["longest_watchdog_gap"] / CYCLES_PER_MS, 1))
        assert "watchdog" not in [cause for _, cause, _ in found["resets"]]
        assert found["longest_watchdog_gap"] < 13 * CYCLES_PER_MS
