"""More asked for than the processor can reckon: all miss alike, and a slow note hardly anything.

Each output has a turn in every round of the main loop, however much the others are asked for.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from firmware_protocol.messages import Slot
from tests.bench.bench import CLOCK_HZ, CYCLES_PER_MS
from tests.bench.image_bench import ImageBench, slot
from tests.bench.load import FULL_RATES, ON_TICKS

pytestmark = pytest.mark.long

FULL = tuple(slot(2e6 / hz, ON_TICKS) for hz in FULL_RATES)
PHASES = range(0, 20_000, 5_003)
"""Cycles by which the frames come later: over more than one round of the main loop."""


def starts(board: ImageBench, slots_of_0: tuple[Slot, ...]) -> list[list[int]]:
    """Starts by output in 180 ms: outputs 1 to 3 at 1,900 a second each, of 2,000 allowed."""
    begin = board.now
    for _ in range(8):
        board.play(o0=slots_of_0, o1=FULL, o2=FULL, o3=FULL)
        board.run_for(25 * CYCLES_PER_MS)
    since = begin + 20 * CYCLES_PER_MS
    return [
        [p.start_cycle for p in board.pulses() if p.output == output and p.start_cycle > since]
        for output in range(4)
    ]


def longest_gap_ms(cycles: list[int]) -> float:
    return max(b - a for a, b in pairwise(cycles)) / CYCLES_PER_MS


@pytest.mark.parametrize("slow_hz", [71.0, 200.0])
def test_a_slow_note_beside_three_outputs_of_too_much_misses_one_bang_at_most(
    armed: ImageBench, slow_hz: float
) -> None:
    """One in 180 ms, as such a round may take longer than pulses are prepared ahead (4 ms)."""
    kept = armed.keep()
    for phase in PHASES:
        armed.back_to(kept)
        armed.run_for(phase)
        slow, *others = starts(armed, (slot(2e6 / slow_hz, ON_TICKS),))
        print(f"{slow_hz} Hz: {len(slow)}, longest gap {longest_gap_ms(slow):.1f} ms; "
              f"beside {[len(one) for one in others]}")  # fmt: skip
        assert longest_gap_ms(slow) < 2000 / slow_hz + 1
        span_s = (slow[-1] - slow[0]) / CLOCK_HZ
        assert len(slow) - 1 > span_s * slow_hz - 1.3
        assert min(len(one) for one in others) > 200  # they are not silent meanwhile


def test_four_outputs_of_too_much_have_alike(armed: ImageBench) -> None:
    kept = armed.keep()
    for phase in PHASES:
        armed.back_to(kept)
        armed.run_for(phase)
        found = starts(armed, FULL)
        counts, gaps = [len(one) for one in found], [longest_gap_ms(one) for one in found]
        print(f"{counts}, longest gaps {[round(gap, 1) for gap in gaps]} ms")
        assert min(counts) > 0.6 * max(counts)
        assert max(gaps) < 14
