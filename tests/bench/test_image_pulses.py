"""Light from the real image, to the cycle: on-time, pitch, onset, off-time.

The bounds are the project's own. One tick is 8 cycles.
"""

import itertools
import math

import pytest

from firmware_protocol.catalogue import Reason
from firmware_protocol.messages import Refusal
from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_TICK, Pulse
from tests.bench.image_bench import ImageBench, slot

pytestmark = pytest.mark.long

TICK = CYCLES_PER_TICK
MIN_OFF = 200
PITCH_BOUND_CENT = 0.05


def pulses_since(board: ImageBench, cycle: int) -> list[Pulse]:
    return [p for p in board.pulses() if p.start_cycle >= cycle]


@pytest.mark.parametrize("output", range(4))
def test_on_time_is_exact_and_never_longer(armed: ImageBench, output: int) -> None:
    begin = armed.now
    asked = (2, 3, 17, 255, 256, 257, 511, 799, 800)
    for count, on in enumerate(asked):
        # by the start number each is a train of its own, of two bangs
        armed.sound(output, slot(8000, on, start=count, bangs=2))
        armed.run_for(12 * CYCLES_PER_MS)
    found = [p.on_cycles for p in pulses_since(armed, begin)]
    assert found == [on * TICK for on in asked for _ in range(2)]
    assert {p.output for p in pulses_since(armed, begin)} == {output}


def test_a_pulse_of_one_tick_is_refused(armed: ImageBench) -> None:
    """A compare value of 0 would be a spike of its own (data sheet, fast PWM)."""
    begin = armed.now
    armed.play(o0=(slot(4000, 1),))
    armed.run_for(10 * CYCLES_PER_MS)
    assert pulses_since(armed, begin) == []
    armed.collect()
    refused = [m.reason for _, m in armed.messages if isinstance(m, Refusal)]
    assert refused == [Reason.BAD_SLOT]


@pytest.mark.parametrize("hz", [20.0, 110.0, 440.0, 1046.5023, 1975.5332])
def test_mean_pitch(armed: ImageBench, hz: float) -> None:
    """The mean period in ticks at the pin, over as many periods as fit in 180 ms of one lease."""
    period = 2e6 / hz
    begin = armed.now
    armed.play(o2=(slot(period, 50),))
    armed.run_for(180 * CYCLES_PER_MS)
    # the first pulse may lie after its grid point, which had come before the frame was read
    starts = [p.start_cycle for p in pulses_since(armed, begin)][1:]
    assert len(starts) >= 175e-3 * hz - 3
    mean = (starts[-1] - starts[0]) / TICK / (len(starts) - 1)
    asked = round(period * 256) / 256
    # the two edges may each be rounded by one tick: what is left of them in the mean
    rounding = 1.0 / (len(starts) - 1)
    allowed = asked * (2 ** (PITCH_BOUND_CENT / 1200) - 1) + rounding
    assert abs(mean - asked) <= allowed
    # and every single start is on its grid to one tick: nothing accumulates
    grid = [starts[0] + k * asked * TICK for k in range(len(starts))]
    assert max(abs(s - g) for s, g in zip(starts, grid, strict=True)) <= TICK


def test_mean_pitch_error_without_rounding(armed: ImageBench) -> None:
    """Four seconds of A4, renewed as a host does: both edges' rounding is in it."""
    period = round(2e6 / 440 * 256) / 256
    begin = armed.now
    for _ in range(20):
        armed.play(o0=(slot(2e6 / 440, 50),))
        armed.run_for(190 * CYCLES_PER_MS)
    # without the first bang: its frame came at its very grid point, so it is late or dropped
    starts = [p.start_cycle for p in pulses_since(armed, begin)][1:]
    mean = (starts[-1] - starts[0]) / TICK / (len(starts) - 1)
    assert len(starts) > 1600
    assert abs(1200 * math.log2(mean / period)) < PITCH_BOUND_CENT


@pytest.mark.parametrize("ahead_ms", [5, 10.1, 200])
def test_onset_of_a_scheduled_note(armed: ImageBench, ahead_ms: float) -> None:
    """On all outputs at once; the frames take 3.4 ms of it on the line."""
    tick, _ = armed.clock()
    begin = armed.now
    at = tick + round(ahead_ms * 2000)
    for output in range(4):
        armed.send(armed.voices(output, slot(5000, 100), now=tick, at=at))
    due = armed.cycle_of(at)
    armed.run_to(due + 2 * CYCLES_PER_MS)
    onsets = {p.output: (p.start_cycle - due) / TICK for p in reversed(pulses_since(armed, begin))}
    print(f"onset {ahead_ms} ms ahead: ticks after the tick asked for: {onsets}")
    assert set(onsets) == {0, 1, 2, 3}
    assert all(-1 < late < 1 for late in onsets.values())  # the very tick; the bound is 100


def test_a_chord_never_merges_and_keeps_off_time(armed: ImageBench) -> None:
    begin = armed.now
    chord = tuple(slot(2e6 / hz, 300, start=1) for hz in (110, 138.6, 164.8, 220))
    armed.play(o0=chord, o3=chord)
    armed.run_for(100 * CYCLES_PER_MS)
    for output in (0, 3):
        found = [p for p in pulses_since(armed, begin) if p.output == output]
        assert len(found) > 50
        gaps = [
            b.start_cycle - a.start_cycle - (a.on_cycles or 0) for a, b in itertools.pairwise(found)
        ]
        assert min(gaps) >= MIN_OFF * TICK
        # a grid point that fell into another's off-time came right after it: the interrupt's chain
        assert min(gaps) < (MIN_OFF + 2) * TICK
        lit_at_the_end = found[-1].on_cycles is None
        whole = found[:-1] if lit_at_the_end else found
        assert {p.on_cycles for p in whole} == {300 * TICK}


def test_a_new_note_at_once_and_silence_at_once(armed: ImageBench) -> None:
    begin = armed.now
    armed.play(o1=(slot(1100, 60),))
    armed.run_for(20 * CYCLES_PER_MS)
    first = pulses_since(armed, begin)[0].start_cycle
    # last byte of the frame for output 1 at about 2 * 31 bytes * 320 cycles; then 1 ms at most
    assert first - begin < 2 * CYCLES_PER_MS + 62 * 320
    end = armed.sound(1)
    armed.run_for(20 * CYCLES_PER_MS)
    assert pulses_since(armed, begin)[-1].start_cycle < end + CYCLES_PER_MS


def test_silence_takes_back_what_is_prepared(armed: ImageBench) -> None:
    """At every phase of a slow note, whose next pulse is loaded up to 3 ms ahead."""
    armed.sound(1, slot(6000, 60))
    armed.run_for(30 * CYCLES_PER_MS)
    kept = armed.keep()
    late = 0
    for offset in range(0, 48_000, 4_000):
        armed.back_to(kept)
        armed.run_for(offset)
        end = armed.sound(1)
        armed.run_for(12 * CYCLES_PER_MS)
        late = max([late, *(p.start_cycle - end for p in armed.pulses())])
        assert armed.newest_status().state == 1
        armed.sound(1, slot(6000, 60, start=2, phase=128))
        armed.run_for(8 * CYCLES_PER_MS)
        assert len(pulses_since(armed, end + 12 * CYCLES_PER_MS)) >= 1  # and it can sound again
    assert late < CYCLES_PER_MS


def test_a_pulse_is_taken_back_whole_or_not_at_all(armed: ImageBench) -> None:
    """The frame that takes it back is obeyed at every other cycle about the pulse's start: what an
    interrupt may take there is made up of a pause of the processor. Then the next connects."""
    armed.sound(1, slot(4000, 60))
    armed.run_for(30 * CYCLES_PER_MS)
    kept = armed.keep()
    begin = start = 0
    for offset in range(0, 4000 * TICK, 100):
        armed.back_to(kept)
        armed.run_for(offset)
        armed.sound(1, slot(4000, 60, start=2))
        assert armed.run_to_code("port_withdraw", limit=armed.now + 4 * CYCLES_PER_MS)
        begin = armed.now
        start = [p.start_cycle for p in armed.pulses() if p.output == 1][-1] + 4000 * TICK
        if 600 < start - begin < 1500:
            break
    assert 600 < start - begin < 1500
    near = armed.keep()
    taken = 0
    for late in range(-500, 100, 2):
        armed.back_to(near)
        armed.stall_at(begin, start - begin + late)
        armed.run_for(12 * CYCLES_PER_MS)
        found = [p for p in armed.pulses() if p.output == 1 and p.start_cycle >= begin]
        assert {p.on_cycles for p in found} == {60 * TICK}
        assert armed.violations() == []
        taken += start not in [p.start_cycle for p in found]
    print(f"{taken} of 300 taken back")
    assert 0 < taken < 300


def test_a_frame_for_soon_leaves_what_comes_before_it_where_it_is(armed: ImageBench) -> None:
    """Pulses are prepared up to 4 ms ahead; a frame for in 1.5 ms takes back those after it only,
    for the next may be too near to be offered again. At every phase of the pulses."""
    armed.sound(1, slot(2000, 60))
    armed.run_for(60 * CYCLES_PER_MS)
    dropped = armed.newest_status().per_output[1].collisions_dropped  # the first, perhaps
    kept = armed.keep()
    before = 0
    for offset in range(0, 2000 * TICK, 613):
        armed.back_to(kept)
        armed.run_for(offset)
        since = armed.now
        tick, cycle = armed.clock()
        at = tick + 5000
        end = armed.send(armed.voices(1, now=tick, at=at))
        armed.run_to(end + 12 * CYCLES_PER_MS)
        found = [p.start_cycle for p in pulses_since(armed, since)]
        assert {b - a for a, b in itertools.pairwise(found)} == {2000 * TICK}
        assert found[-1] < cycle + (5000 + 1) * TICK
        before += len([start for start in found if start > end])
    assert before > 26  # more than one a frame
    assert armed.newest_status().per_output[1].collisions_dropped == dropped


@pytest.mark.parametrize("slots", [1, 4])
@pytest.mark.parametrize("busy", [False, True])
def test_single_bangs_on_all_outputs_at_once_are_all_fired(
    armed: ImageBench, slots: int, busy: bool
) -> None:
    """Four immediate frames in a row, at many phases of the main loop: no output is left waiting
    for more than 8 ms; one past half of its period (10 ms) would be dropped."""
    kept = armed.keep()
    worst = 0
    bangs = [slot(40_000, 200, start=3 + n, bangs=1) for n in range(slots)]
    chord = [slot(2e6 / hz, 118, start=9) for hz in (97, 101, 103, 107)]
    for phase in range(0, 40_000, 3_777):
        armed.back_to(kept)
        if busy:
            armed.play(o0=tuple(chord), o1=tuple(chord), o2=tuple(chord), o3=tuple(chord))
            armed.run_for(20 * CYCLES_PER_MS)
        armed.run_for(phase)
        ends = [armed.sound(output, *bangs) for output in range(4)]
        armed.run_for(25 * CYCLES_PER_MS)
        for output, end in enumerate(ends):
            mine = [
                p.start_cycle - end
                for p in armed.pulses()
                if p.output == output and p.on_cycles == 200 * TICK
            ]
            assert len(mine) == slots
            worst = max(worst, min(mine))
    print(f"{slots} slots, busy {busy}: the first bang at most {worst / 16:.0f} us after its frame")
    assert worst < 8 * CYCLES_PER_MS
