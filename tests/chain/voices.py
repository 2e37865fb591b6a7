"""Finding one voice among the pulses of a chord, from the times at the pin alone.

A voice keeps its grid whatever the others do: a pulse that must wait for another one comes late,
the next one is on the grid again. So a voice can be followed from pulse to pulse, best by those
pulses that had no neighbour to wait for.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence

import pretty_midi

from bridge.virtual_site import TimedPulse, VirtualSite
from tests.chain.rig import INPUT

TICK_HZ = 2_000_000
"""Nominal ticks a second (PROTOCOL.md, section 2)."""


def play(played: VirtualSite, *messages: bytes) -> None:
    for message in messages:
        played.midi(INPUT, message)


def cents(ratio: float) -> float:
    return 1200 * math.log2(ratio)


def hz_of(note: int) -> float:
    """By a general library (pretty_midi); MIDI 1.0 note numbers, A4 = 440 Hz (ISO 16)."""
    return float(pretty_midi.note_number_to_hz(note))


def isolated(pulses: Sequence[TimedPulse], apart_us: float) -> list[TimedPulse]:
    """The pulses with none other beginning within `apart_us` before or after: none had to wait."""
    apart = apart_us * TICK_HZ / 1e6
    found: list[TimedPulse] = []
    for i, one in enumerate(pulses):
        before = i == 0 or one.start_tick - pulses[i - 1].start_tick > apart
        after = i + 1 == len(pulses) or pulses[i + 1].start_tick - one.start_tick > apart
        if before and after:
            found.append(one)
    return found


def follow(
    pulses: Sequence[TimedPulse], hz: float, *, cents: float = 0.0, slack_ticks: int = 2
) -> list[TimedPulse | None]:
    """The pulses of the voice that begins near `hz`, one a period; None where none is in place.

    From one period to the next the pitch may move by `cents`. Of the pulses in the first 20 periods
    the one is taken as the voice's first that can be followed best, or well enough.
    """
    starts = [p.start_tick for p in pulses]
    best: list[TimedPulse | None] = [None]
    for first in range(bisect_left(starts, starts[0] + 20 * TICK_HZ / hz)):
        places = _places(starts[first:], TICK_HZ / hz, 2 ** (cents / 1200) - 1, slack_ticks)
        track = [None if k is None else pulses[first + k] for k in places]
        best = max(best, track, key=_in_place)
        if _in_place(best) > 0.9 * len(best) > 30:
            break
    return best


def _places(
    starts: Sequence[int], period: float, motion: float, slack_ticks: int
) -> list[int | None]:
    """For each period from the first start on: the index of the start in place, if there is one."""
    found: list[int | None] = [0]
    last, periods = starts[0], 1
    while (at := last + periods * period) <= starts[-1]:
        # The pitch may have moved in each of the periods, every time on top of the last.
        moved = period * motion * periods * (periods + 1) / 2
        i = bisect_left(starts, at)
        near = min((k for k in (i - 1, i) if k < len(starts)), key=lambda k: abs(starts[k] - at))
        if abs(starts[near] - at) > moved + slack_ticks + periods or starts[near] <= last:
            found.append(None)
            periods += 1
            continue
        found.append(near)
        if motion:
            period = (starts[near] - last) / periods
        last, periods = starts[near], 1
    return found


def _in_place(track: Sequence[TimedPulse | None]) -> int:
    return sum(p is not None for p in track)


def gap_pairs(track: Sequence[TimedPulse | None]) -> list[tuple[int, int]]:
    """Neighbouring gaps of a followed voice, in ticks: all three pulses in place."""
    return [
        (b.start_tick - a.start_tick, c.start_tick - b.start_tick)
        for a, b, c in zip(track, track[1:], track[2:], strict=False)
        if a is not None and b is not None and c is not None
    ]


def share_in_place(track: Sequence[TimedPulse | None]) -> float:
    return _in_place(track) / len(track)
