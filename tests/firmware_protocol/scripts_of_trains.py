"""Scripts about what sounds: trains, queue, lease, guard. Simple enough to be worked out by hand
(`test_vectors_by_hand.py`)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from firmware_protocol.messages import (
    FLAG_FORGET_LATER,
    FLAG_IMMEDIATE,
    Ceilings,
    OutputLimits,
    Slot,
    Stop,
)
from tests.link.board_bench import BOARD, LIMITS, MS, Bench, slot

from .vector_script import Script, armed, keep_in

TRAINS: dict[str, Script] = {}
script = partial(keep_in, TRAINS)


@script("solo")
def _solo(bench: Bench) -> None:
    """A4 for 0.25 s: period 1,163,636/256 ticks, 100 ticks on, first pulse at once."""
    armed(bench)
    bench.play_until(bench.tick + 250 * MS, Slot(1, 0, 0, 0, 100, 0, 1_163_636))


@script("solo over the wrap", replace(BOARD, first_tick=2**32 - 300_000))
def _wrap(bench: Bench) -> None:
    """The same while the tick count goes through 2**32."""
    _solo(bench)


@script("bangs")
def _bangs(bench: Bench) -> None:
    """Three bangs; the same start number again fires nothing more; a new one three others."""
    armed(bench)
    three = slot(2000, bangs=3)
    bench.voices(three)
    bench.advance(20 * MS)
    bench.voices(three)
    bench.advance(20 * MS)
    bench.voices(three._replace(start=2, phase=128))
    bench.advance(20 * MS)


@script("stop in mid-pulse")
def _stop(bench: Bench) -> None:
    """The third pulse of 400 ticks is cut after 150 by a stop."""
    armed(bench)
    bench.voices(slot(10_000, 400), at=bench.tick + 5000)
    bench.at(bench.tick + 25_150).send(Stop(1))
    bench.advance(30_000)


@script("two trains collide")
def _collide(bench: Bench) -> None:
    """Two trains of equal period at equal times: the second waits for the off-time."""
    armed(bench)
    bench.voices(slot(3000), slot(3000))
    bench.advance(29_999)


@script("dropped after half a period")
def _dropped(bench: Bench) -> None:
    """A train of 2,000 ticks beside three of 2,000: no room for all, the late ones are dropped."""
    armed(bench, replace(LIMITS, min_off_ticks=1000))
    bench.voices(*[slot(2000, 120, bangs=4)] * 4, at=bench.tick + 6000)
    bench.advance(16_000)


@script("step ramp")
def _ramp(bench: Bench) -> None:
    """The period goes from 2,000 to 1,990 ticks in steps of 40/16, then to 2,500 at once."""
    armed(bench)
    bench.voices(slot(2000))
    bench.advance(4500)
    bench.voices(slot(1990, step=40))
    bench.advance(20_000)
    bench.voices(slot(2500))
    bench.advance(20_000)


@script("spread")
def _spread(bench: Bench) -> None:
    """A train with a spread of 64 beside one without; the generator is the output's."""
    armed(bench, LIMITS, replace(LIMITS, output=2))
    bench.voices(slot(4000, spread=64), slot(7777, 50))
    bench.voices(slot(4000, spread=128, bangs=20), output=2)
    bench.advance(180 * MS)


@script("queue")
def _queue(bench: Bench) -> None:
    """Frames for later, out of order, two for the same tick, forgetting, late, due, refused."""
    armed(bench)
    now = bench.tick
    bench.voices(slot(2000, start=1), at=now + 40_000)
    bench.voices(slot(3000, start=2), at=now + 20_000)
    bench.voices(slot(900, start=3), at=now + 40_000)
    bench.voices(slot(800, start=4), at=now + 60_000)
    bench.advance(50_000)
    now = bench.tick
    bench.voices(slot(1500, start=5), at=now + 5000, flags=FLAG_FORGET_LATER)
    bench.advance(20_000)
    now = bench.tick
    for at in (now, now - 1, now - 40_000, now - 40_001, now + 500_000, now + 500_001):
        bench.voices(slot(5000, start=at & 0xFF), at=at)
    for index in range(18):
        bench.voices(slot(5000, start=100), at=now + 1000 * index + 1000)
    bench.voices(slot(4000, start=9), flags=FLAG_IMMEDIATE | FLAG_FORGET_LATER)
    bench.advance(30_000)


@script("lease")
def _lease(bench: Bench) -> None:
    """Renewed to the last tick, then not: the trip comes at the expiry, in mid-pulse."""
    armed(bench)
    bench.voices(slot(1000), lease=20_000)
    bench.at(bench.tick + 20_000).voices(slot(1000), lease=20_050)
    bench.advance(30_000)


@script("guard: rate")
def _rate(bench: Bench) -> None:
    """300 starts a second allowed, 1,000 asked: refused, and a trip at the 17th refusal."""
    armed(bench, replace(LIMITS, max_starts_1s=300))
    bench.play_until(bench.tick + 400 * MS, slot(2000, 50))


@script("guard: windows", replace(BOARD, ceilings=(Ceilings(400, 200, 2000, 240_000),) * 4))
def _windows(bench: Bench) -> None:
    """Bursts against windows of 10 ms and 100 ms; what was refused is let in again later."""
    limits = OutputLimits(0, 400, 200, 2000, 240_000, 100, 16_000, 10, 2000)
    armed(bench, limits)
    for start in range(1, 8):
        bench.voices(slot(1200, 300, start=start, bangs=8), at=bench.tick + 10 * MS)
        bench.advance(45 * MS)


@script("guard: on-time")
def _on_time(bench: Bench) -> None:
    """10 ms pulses asked again and again: nothing is lit but three lawful ones, and a trip."""
    armed(bench)
    bench.voices(slot(4000, 400, bangs=3), slot(24_000, 20_000))
    bench.advance(230 * MS)
