"""A show on the real image: every note's first pulse at the pin, against its frame's *apply at*.

Cycles of the bench are exact, 16 a microsecond. The host stands still for 100 ms again and again.
"""

from __future__ import annotations

from typing import Any, cast

import pytest

from bridge.engine import Act
from bridge.interlock import State
from bridge.show.player import Item, Player
from bridge.show.show_source import Playing, ShowSource
from bridge.virtual_site import VirtualSite
from firmware_protocol.messages import FLAG_IMMEDIATE, PERIOD_UNITS_PER_TICK, Voices
from tests.bench.bench import CLOCK_HZ, CYCLES_PER_TICK
from tests.bench.image_bench import BOARD_ID, ImageBench
from tests.bench.image_link import POLL_S, ImageLink
from tests.chain.rig import coil, guard_refusals, site
from tests.show.stage import first_pulses_of, score_of

pytestmark = pytest.mark.long

GAP_S = 0.05
"""Of silence before a note's first pulse."""
NOTES = 22
FIRST_S, APART_S = 0.5, 0.16
STALL_S = 0.1


def begins(frames: list[Voices]) -> list[tuple[int, int]]:
    """(output, tick of the first pulse) of every train that a frame begins (PROTOCOL.md, 7)."""
    starts: dict[tuple[int, int], int] = {}
    found: list[tuple[int, int]] = []
    for frame in frames:
        for index, one in enumerate(frame.slots):
            if one is None:
                starts.pop((frame.output, index), None)
            elif starts.get((frame.output, index)) != one.start:
                assert not frame.flags & FLAG_IMMEDIATE, "a note was not sent ahead"
                starts[frame.output, index] = one.start
                phase = one.phase * one.period // 256
                tick = frame.apply_at + phase // PERIOD_UNITS_PER_TICK
                found.append((frame.output, tick))
        for index in range(len(frame.slots), 4):
            starts.pop((frame.output, index), None)
    return found


def test_every_note_begins_at_its_apply_at(locked: ImageBench) -> None:
    """Exactly (50 µs are asked for), on two outputs, and none is moved by a stall."""
    config = site(
        [coil("Larkspur", "North", 1), coil("Foxglove", "North", 2)],
        controllers=[{"name": "North", "port": "simulated", "board_id": f"{BOARD_ID:08x}"}],
        music={
            "routes": [
                {"channels": [1], "coils": ["Larkspur"]},
                {"channels": [2], "coils": ["Foxglove"]},
            ]
        },
    )
    times_s = [FIRST_S + i * APART_S for i in range(NOTES)]
    score = score_of([(at, 60 + i % 12, 1 + i % 2) for i, at in enumerate(times_s)])
    source = ShowSource(config, Player([Item("One", score, countdown_s=0.6)]), [Playing()])
    virtual, link = VirtualSite(config, source), ImageLink(locked)
    virtual.links = {"North": cast(Any, link)}
    virtual.connect()
    while any(not c.passed for c in virtual.engine.checks(virtual.now_s)):
        assert virtual.now_s < 4, virtual.engine.checks(virtual.now_s)
        virtual.run_for(0.05)
    virtual.act(Act.ARM)
    virtual.run_for(0.1)
    source.go(virtual.now_s)
    virtual.engine.source_changed(virtual.now_s)
    zero_s = virtual.now_s + 0.6
    while virtual.now_s < zero_s + times_s[-1] + 0.3:
        virtual.run_for(0.3)
        virtual.frozen = True
        virtual.run_for(STALL_S)
        virtual.frozen = False
    assert virtual.engine.interlock.state is State.ARMED
    assert guard_refusals(virtual) == 0

    zero = locked.cycle_of(0)
    asked = begins(link.voices)
    due = sorted((output, zero + tick * CYCLES_PER_TICK) for output, tick in asked)
    fired: list[tuple[int, int]] = []
    for output in (0, 1):
        rises = [p.start_cycle for p in locked.pulses() if p.output == output]
        fired += [(output, rise) for rise in first_pulses_of(rises, GAP_S * CLOCK_HZ)]
    assert [output for output, _ in fired] == [output for output, _ in due]
    assert len(fired) == NOTES
    late = [at - then for (_, at), (_, then) in zip(fired, due, strict=True)]
    print(f"first pulse after its apply at: {min(late)} to {max(late)} cycles of 62.5 ns")
    assert (min(late), max(late)) == (0, 0)
    # and the host's reckoning of ticks, from pongs that are handed over late
    at_s = sorted(link.seconds_at(rise) for _, rise in fired)
    off_s = [at - zero_s - asked for at, asked in zip(at_s, times_s, strict=True)]
    print(f"against the score: {min(off_s) * 1e6:+.0f} to {max(off_s) * 1e6:+.0f} µs")
    assert max(map(abs, off_s)) < POLL_S
