"""A live note over a full queue: what each write leaves queued, until all of it is replaced.

The queue is reckoned here by PROTOCOL.md's own rule, from the bytes that the host writes: "forget
later" removes every queued frame whose apply_at is not before this one's; then this one goes in.
"""

from __future__ import annotations

import pytest

from bridge.clocks import HostS
from bridge.virtual_site import VirtualSite
from firmware_protocol import messages as m
from firmware_protocol.framing import FrameReader
from tests.chain.rig import INPUT, guard_refusals, note_on
from tests.show.test_live_over import MAPPING_S, NEAR, organ_for, show_on, starts_after, yard

APART_S = 0.011
RUN = [(1.0 + APART_S * n, 52 + n, 1) for n in range(14)]
"""Notes of 6 ms: more beginnings and ends ahead than one write may hold."""
MOST_IN_A_WRITE = 4
"""More would keep a stop waiting: the wire's rule, a refresh of all coils (PROTOCOL.md)."""
WAITS_S = 0.00035
"""A pulse that meets another's waits for its end and the off-time: the rig's coil, 150 + 200 µs."""
Write = tuple[float, list[m.Voices]]


def listened(virtual: VirtualSite, name: str) -> list[Write]:
    """Every write of voices from here on, with its time."""
    link, reader, found = virtual.links[name], FrameReader(), list[Write]()
    write = link.write

    def heard(time_s: float, data: bytes) -> None:
        frames = [f for f in reader.feed(data) if f.type_code == m.Voices.TYPE]
        if frames:
            found.append((time_s, [m.Voices.parse(f.payload) for f in frames]))
        write(time_s, data)

    link.write = heard  # type: ignore[method-assign]
    return found


def run_at(*, live: bool = True) -> tuple[VirtualSite, list[Write], float]:
    """The show, what was written, and the run's time 0; a key has just gone down, 30 ms before."""
    virtual = show_on(yard(), RUN, 0.006)
    organ_for(virtual)
    zero_s = virtual.now_s + 0.6
    writes = listened(virtual, "North")
    virtual.run_until(HostS(zero_s + 1.0 - 0.03))
    if live:
        virtual.midi(INPUT, note_on(16, 60))  # 20.6 Hz: its pulses are few
    return virtual, writes, zero_s


def still_to_say(virtual: VirtualSite) -> dict[str, bool]:
    """Has it decided what it has not written? Else it is a refresh that comes next, later."""
    return {n: line.due_s() <= virtual.now_s for n, line in virtual.engine.lines.items()}


def off_by_s(virtual: VirtualSite, zero_s: float) -> list[float]:
    """How far the nearest pulse lies from each note's begin."""
    starts = starts_after(virtual, "Larkspur", zero_s)
    return [min(abs(s - zero_s - begin_s) for s in starts) for begin_s, _, _ in RUN]


def test_no_write_leaves_old_and_new_mixed_and_no_note_is_late() -> None:
    virtual, writes, zero_s = run_at()
    struck_s = virtual.now_s
    virtual.run_for(0.4)
    replacing = [w for w in writes if w[0] >= struck_s and w[1][0].flags & m.FLAG_FORGET_LATER]
    live = replacing[0][1][0].apply_at
    assert len(replacing) > 5  # the queue was full of what it takes back
    queue: list[tuple[int, bool]] = []
    """(apply_at, was it decided before the key?), in the order in which they will be played."""
    was_old = 0
    for at_s, frames in writes:
        if replacing[0][0] <= at_s <= replacing[-1][0]:
            assert len(frames) <= MOST_IN_A_WRITE
        for frame in frames:
            if frame.flags & m.FLAG_FORGET_LATER:
                queue = [q for q in queue if q[0] < frame.apply_at]
            if at_s < struck_s:
                was_old = max(was_old, len([q for q in queue if q[0] >= live]))
            queue.append((frame.apply_at, at_s < struck_s))
        if at_s >= struck_s:
            assert queue == sorted(queue, key=lambda q: q[0])
            assert not any(old for apply_at, old in queue if apply_at >= live)
        if at_s == replacing[-1][0]:  # nothing that was said anew was taken back again
            said = [f.apply_at for _, replaced in replacing for f in replaced]
            assert [apply_at for apply_at, old in queue if not old] == said
    assert was_old > 5
    struck_after_s = starts_after(virtual, "Larkspur", struck_s)[0] - struck_s
    assert NEAR - MAPPING_S < struck_after_s < NEAR + MAPPING_S
    alone, _, _ = run_at(live=False)
    alone.run_for(0.4)
    for here_s, alone_s in zip(off_by_s(virtual, zero_s), off_by_s(alone, zero_s), strict=True):
        assert here_s < alone_s + MAPPING_S + WAITS_S
    assert guard_refusals(virtual) == 0


@pytest.mark.parametrize("after_s", [0.0, 0.003, 0.008, 0.011])
def test_a_stop_in_the_midst_of_it_waits_for_none_of_it(after_s: float) -> None:
    """Between any two of those writes: dark 10 ms after it, nothing queued plays, and what was
    still to be said of it never is."""
    virtual, writes, _ = run_at()
    virtual.run_for(after_s)
    written = len(writes)
    assert still_to_say(virtual) == {"Larkspur": True, "Foxglove": True}
    stopped_s = virtual.now_s
    virtual.stop()
    assert still_to_say(virtual) == {"Larkspur": False, "Foxglove": False}
    virtual.run_for(0.3)
    assert len(writes) == written
    for name in ("Larkspur", "Foxglove"):
        assert not starts_after(virtual, name, stopped_s + 0.010)
