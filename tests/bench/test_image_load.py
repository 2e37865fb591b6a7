"""Full load: four coils of four voices, the line full, pulses judged by the independent checker.

What the processor cannot do in time is dropped and counted: never late light, nor lost bytes.
"""

import pytest

from tests.bench.bench import BYTE_CYCLES, CYCLES_PER_MS, CYCLES_PER_TICK, CYCLES_PER_US
from tests.bench.image_bench import CEILINGS, ImageBench, slot
from tests.pulse_checker import check_pulses

pytestmark = pytest.mark.long

LONGEST_OFF = 200
"""Cycles with interrupts off that the project allows itself."""


def drive(board: ImageBench, rates: tuple[float, ...], on: int, ms: int, every_ms: float) -> int:
    """Frames for all four outputs, each with all periods moved; returns the cycle it ends at."""
    begin = at = board.now
    tick, cycle = board.clock()
    round_ = 0
    while at < begin + ms * CYCLES_PER_MS:
        for output in range(4):
            bend = (1 + 0.013 * output) * (1 + 0.001 * (round_ % 7))
            slots = [slot(2e6 / (rate * bend), on) for rate in rates]
            now = tick + (at - cycle) // CYCLES_PER_TICK
            at = board.send(board.voices(output, *slots, now=now), at=at)
        round_ += 1
        at = max(at, begin + round(round_ * every_ms * CYCLES_PER_MS))
        board.run_to(at - 20 * BYTE_CYCLES)
    board.run_to(at)
    return board.now


def judge(board: ImageBench, begin: int, name: str) -> None:
    statistics = board.statistics()
    uart = statistics["uarts"][0]
    assert uart["overruns"] == 0
    assert board.peek("uart_lost", 1) == b"\0"
    assert [cause for _, cause, _ in statistics["resets"]] == ["power"]
    board.run_for(60 * CYCLES_PER_MS)
    status = board.newest_status()
    assert status.state == 1
    assert (status.bad_frames, status.line_errors, status.refused_frames) == (0, 0, 0)
    off = {what: one["cycles"] for what, one in statistics["off"].items()}
    assert max(off.values()) <= LONGEST_OFF
    assert statistics["longest_watchdog_gap"] < 10 * CYCLES_PER_MS
    found = [p for p in board.pulses() if p.start_cycle >= begin]
    for output in range(4):
        mine = [(p.start_cycle, p.on_cycles or 0) for p in found if p.output == output]
        max_on, min_off, starts, duty = CEILINGS
        second = (1_000_000 * CYCLES_PER_US, duty * CYCLES_PER_TICK)
        assert (
            check_pulses(
                mine,
                max_on_us=max_on * CYCLES_PER_TICK,
                min_off_us=min_off * CYCLES_PER_TICK,
                max_starts_1s=starts,
                windows=[],
            )
            == []
        )
        assert sum(on for _, on in mine) <= second[1]
    services = {
        name: (one["longest"], one["longestWait"]) for name, one in statistics["vectors"].items()
    }
    dropped = [one.collisions_dropped for one in status.per_output]
    print(
        f"{name}: {len(found)} pulses, dropped {dropped}; interrupts off at most {off}; "
        f"service and wait of interrupts {services}"
    )


def prepared(board: ImageBench) -> int:
    board.statistics(reset=True)
    return board.now


def test_in_motion_within_what_the_processor_can_do(armed: ImageBench) -> None:
    """1,630 pulses a second, every voice bent every 9 ms (63 % of the line): all is kept."""
    begin = prepared(armed)
    drive(armed, (97, 101, 103, 107), 118, 200, 9)
    judge(armed, begin, "1,630 pulses a second in motion")
    status = armed.newest_status()
    assert sum(one.collisions_dropped for one in status.per_output) <= 8
    assert len([p for p in armed.pulses() if p.start_cycle >= begin]) > 250


def test_the_line_full_and_everything_asked_for(armed: ImageBench) -> None:
    """7,600 pulses a second asked for, no pause on the line: no byte is lost, all stays lawful."""
    begin = prepared(armed)
    drive(armed, (471, 473, 477, 479), 118, 150, 0)
    judge(armed, begin, "the line full")


def test_the_line_full_of_garbage_and_zeros(armed: ImageBench) -> None:
    """Bytes of every kind, back to back, between the frames that keep the leases."""
    begin = prepared(armed)
    note = slot(4545.45, 200)
    for round_ in range(8):
        for output in range(4):
            armed.sound(output, note)
        junk = bytes((17 * k * k + round_) & 0xFF for k in range(600)) + b"\0" * 200
        armed.bytes_at(armed.now, junk)
        armed.run_for(20 * CYCLES_PER_MS)
    uart = armed.statistics()["uarts"][0]
    assert uart["overruns"] == 0
    assert armed.peek("uart_lost", 1) == b"\0"
    armed.run_for(60 * CYCLES_PER_MS)
    status = armed.newest_status()
    assert status.state == 1
    assert status.bad_frames > 8
    assert len([p for p in armed.pulses() if p.start_cycle >= begin]) > 4 * 60
