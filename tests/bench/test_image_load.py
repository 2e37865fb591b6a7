"""Full load: four coils of four voices, the line full, pulses judged by the independent checker.

What the processor cannot do in time is dropped and counted: never late light, nor lost bytes.
"""

from itertools import pairwise

import pytest

from tests.bench.bench import CYCLES_PER_MS
from tests.bench.image_bench import ENABLE, ImageBench, slot
from tests.bench.judge import ceilings, outside_armed, unlawful
from tests.bench.load import FULL_RATES, Measured, measure

pytestmark = pytest.mark.long

LONGEST_OFF = 200
"""Cycles with interrupts off that the project allows itself."""
MOTION_RATES = (97.0, 101.0, 103.0, 107.0)


ENABLE_PAUSE = round(1.5 * CYCLES_PER_MS)
"""What the pump of WIRING.md must bridge."""


def judge(board: ImageBench, measured: Measured, name: str) -> None:
    print(name, *measured.lines(), sep="\n    ")
    begin = measured.pulses[0].start_cycle
    turns = [e.cycle for e in board.edges() if e.pin == ENABLE and e.cycle > begin]
    assert max(b - a for a, b in pairwise(turns)) < ENABLE_PAUSE
    assert (measured.overruns, measured.bytes_lost) == (0, 0)
    assert [cause for _, cause, _ in board.statistics()["resets"]] == ["power"]
    status = board.newest_status()
    assert status.state == 1
    assert (status.bad_frames, status.line_errors, status.refused_frames) == (0, 0, 0)
    assert measured.refused == 0
    assert max(measured.off.values()) <= LONGEST_OFF
    assert measured.watchdog_gap < 10 * CYCLES_PER_MS
    # hardware makes the edges: at the very cycle, whatever the processor does meanwhile
    assert measured.start_offsets == (0, 0)
    assert measured.on_errors == (0, 0)
    for output in range(4):
        assert unlawful(measured.pulses, ceilings(output)) == []
    assert outside_armed(board, measured.pulses) == []


def test_in_motion_within_what_the_processor_can_do(armed: ImageBench) -> None:
    """1,670 pulses a second, every voice bent every 9 ms (63 % of the line): all is kept."""
    measured = measure(armed, MOTION_RATES, 200, 9)
    judge(armed, measured, "in motion")
    assert measured.dropped <= 8
    assert measured.played_per_s > 0.98 * measured.asked_per_s
    assert 55 < measured.line_percent < 70


def test_held_notes_of_three_times_as_many_pulses(armed: ImageBench) -> None:
    """5,000 a second of notes that are only renewed: the line's work is what is left over."""
    measured = measure(armed, (291.0, 303.0, 309.0, 321.0), 150, 37, bend=False)
    judge(armed, measured, "held")
    assert measured.played_per_s > 0.9 * measured.asked_per_s


def test_the_line_full_and_everything_asked_for(armed: ImageBench) -> None:
    """7,800 pulses a second asked for, no pause on the line: no byte is lost, all stays lawful.
    At three phases: one alone scatters by a tenth."""
    kept = armed.keep()
    played: list[float] = []
    for phase in (0, 5_003, 10_007):
        armed.back_to(kept)
        armed.run_for(phase)
        measured = measure(armed, FULL_RATES, 100, 0)
        judge(armed, measured, "the line full")
        assert measured.line_percent > 99
        assert measured.dropped > 70
        played.append(measured.played_per_s)
    assert sum(played) / len(played) > 1000


def test_the_line_full_of_garbage_and_zeros(armed: ImageBench) -> None:
    """Bytes of every kind, back to back, between the frames that keep the leases."""
    begin = armed.now
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
