"""A DAW's time code or clock through a whole virtual site, down to the boards' pulses.

The sender is ours: quarter frames and full frames encoded by mido to the MIDI specification's
tables (test_timecode.py), each arriving 0 to 2 ms late.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

import mido
import pytest

from bridge.clocks import HostS
from bridge.show.chasing import Chase
from bridge.show.follower import FREEWHEEL_S
from bridge.show.player import Item, Transport
from bridge.show.show_source import Playing, ShowSource
from bridge.show.timecode import FrameRate
from bridge.virtual_site import VirtualSite
from tests.chain.rig import guard_refusals, violations
from tests.show.labels import label
from tests.show.stage import stage
from tests.show.test_player import depot, onsets, steady
from tests.show.test_timecode import RATES, quarter_frames

HOUR_S = 3600.0
GAP_S = 0.25
FIRST_S = 0.5
"""steady() plays a short note at FIRST_S and every GAP_S after."""
NOTES = 120
HZ = {
    FrameRate.FPS_24: 24.0,
    FrameRate.FPS_25: 25.0,
    FrameRate.FPS_30_DROP: 30_000 / 1001,
    FrameRate.FPS_30: 30.0,
}
"""Frames a second (SMPTE ST 12-1), for the sender."""


class Daw:
    """Sends to the input "keys" of a virtual site."""

    def __init__(
        self,
        rate: FrameRate | None,
        staged: tuple[VirtualSite, ShowSource] | None = None,
        *,
        go: bool = True,
    ) -> None:
        """`rate`: of its time code; None: it sends MIDI clock. `go`: the operator has said so."""
        chase = Chase("keys", "mtc", HOUR_S) if rate else Chase("keys", "clock")
        item = Item("One", steady(NOTES, GAP_S), is_chased=True)
        self.site, self.source = staged or stage(depot(), [item], [Playing(chase=chase)])
        self.rate = rate
        self.draw = random.Random(3)
        self.site.run_for(3.0)  # the boards' clocks settle
        if go:
            self.source.go(self.site.now_s)

    def send(self, begin_s: float, messages: Iterator[tuple[float, bytes]]) -> None:
        for after_s, message in messages:
            self.site.run_until(HostS(begin_s + after_s + self.draw.uniform(0, 0.002)))
            self.site.midi("keys", message)

    def rolls(
        self, position_s: float, length_s: float, without: tuple[float, float] = (-1.0, -1.0)
    ) -> float:
        """Runs from the frame at the position on, leaving out what falls between two seconds of it.
        Returns the host time at which item time 0 would have been."""
        assert self.rate is not None
        hz = 4 * HZ[self.rate]
        first = round((HOUR_S + position_s) * HZ[self.rate])
        begin_s = self.site.now_s + 0.01
        pieces = quarter_frames(self.rate, first, int(length_s * hz))
        self.send(
            begin_s,
            (
                (i / hz, message)
                for i, message in enumerate(pieces)
                if not without[0] <= i / hz < without[1]
            ),
        )
        return begin_s - (first / HZ[self.rate] - HOUR_S)

    def locates(self, position_s: float) -> None:
        """A full frame (MIDI Time Code, from memory: F0 7F 7F 01 01 hr mn sc fr F7)."""
        assert self.rate is not None
        code = label(round((HOUR_S + position_s) * HZ[self.rate]), self.rate)
        hours = code.hours | self.rate.value[0] << 5
        data = [0x7F, 0x7F, 1, 1, hours, code.minutes, code.seconds, code.frames]
        self.site.midi("keys", bytes(mido.Message("sysex", data=data).bytes()))


def errors(site: VirtualSite, zero_s: float, from_s: float, to_s: float) -> list[float]:
    """Of every onset between two host times: how late it is beside the nearest note's time.
    And none of the notes there is missing."""
    found = [t for t in onsets(site, from_s) if t < to_s]
    numbers = [round((t - zero_s - FIRST_S) / GAP_S) for t in found]
    assert numbers, "nothing sounded"
    assert numbers == list(range(numbers[0], numbers[-1] + 1)), "a note is missing or came twice"
    assert len(numbers) >= int((to_s - from_s) / GAP_S) - 1, "it was not silent, and not whole"
    return [t - zero_s - FIRST_S - n * GAP_S for t, n in zip(found, numbers, strict=True)]


def in_place(late_s: Sequence[float]) -> bool:
    """Arrivals are 0 to 2 ms late: so is what follows them, by about 1 ms, moving as little."""
    return abs(sorted(late_s)[len(late_s) // 2]) < 0.0015 and max(map(abs, late_s)) < 0.0025


def lawful(site: VirtualSite) -> bool:
    return guard_refusals(site) == 0 and violations(site.engine.config, site) == []


@pytest.mark.parametrize("rate", RATES)
def test_locks_freewheels_relocates_and_stops(rate: FrameRate) -> None:
    daw = Daw(rate)
    site, source = daw.site, daw.source

    # Locks, and runs on by itself over 0.35 s without a sign.
    begun_s = site.now_s
    zero_s = daw.rolls(0.0, 5.0, without=(2.5, 2.85))
    assert source.player.transport is Transport.PLAYING
    late = errors(site, zero_s, begun_s + 0.6, site.now_s)
    assert in_place(late), late

    # Another place without a stop between: no note of the old place, then those of the new one.
    moved_s = site.now_s
    zero_s = daw.rolls(20.0, 4.0)
    late = errors(site, zero_s, moved_s + 0.75, site.now_s)
    assert in_place(late), late
    assert source.player.bar(site.now_s) == 1 + int((site.now_s - zero_s) / 2.0)

    # It stays away: the music stops, and keeps its place.
    gone_s = site.now_s
    site.run_for(2.0)
    assert source.player.transport is Transport.PAUSED
    assert onsets(site)[-1] < gone_s + FREEWHEEL_S + 0.3
    assert not source.notes_held()

    # Put to another place it stands there, silent; then it rolls from there.
    daw.locates(8.0)
    site.run_for(1.0)
    assert onsets(site)[-1] < gone_s + FREEWHEEL_S + 0.3
    begun_s = site.now_s
    zero_s = daw.rolls(8.0, 2.0)
    late = errors(site, zero_s, begun_s + 0.6, site.now_s)
    assert in_place(late), late

    # Backwards there is nothing to play.
    turned_s = site.now_s
    pieces = quarter_frames(rate, round((HOUR_S + 8.0) * HZ[rate]), 200)
    hz = 4 * HZ[rate]
    daw.send(turned_s + 0.01, ((i / hz, m) for i, m in enumerate(reversed(pieces))))
    assert source.player.transport is Transport.PAUSED
    assert onsets(site)[-1] < turned_s + 0.3
    assert lawful(site)


def clocks(quarters_per_minute: float, count: int) -> Iterator[tuple[float, bytes]]:
    for number in range(count):
        yield number * 60 / quarters_per_minute / 24, b"\xf8"


def plays_clock(daw: Daw, tempo: float, quarters: int, first: bytes) -> float:
    """Start or continue, then so many quarter notes. Returns the host time of the first clock."""
    daw.site.midi("keys", first)
    begin_s = daw.site.now_s + 0.01
    daw.send(begin_s, clocks(tempo, 24 * quarters))
    return begin_s


def test_a_midi_clock_starts_stops_and_continues_at_a_song_position() -> None:
    daw = Daw(None)
    begun_s = daw.site.now_s
    zero_s = plays_clock(daw, 120, 10, b"\xfa")
    late = errors(daw.site, zero_s, begun_s + 0.8, daw.site.now_s)
    assert in_place(late), late
    daw.site.midi("keys", b"\xfc")
    stopped_s = daw.site.now_s
    daw.site.run_for(1.5)
    assert onsets(daw.site)[-1] < stopped_s + 0.3
    assert daw.source.player.transport is Transport.PAUSED
    daw.site.midi("keys", bytes(mido.Message("songpos", pos=4 * 24).bytes()))  # quarter note 24
    begun_s = daw.site.now_s
    zero_s = plays_clock(daw, 120, 10, b"\xfb") - 12.0
    late = errors(daw.site, zero_s, begun_s + 0.8, daw.site.now_s)
    assert in_place(late), late
    assert daw.source.player.bar(daw.site.now_s) == 9  # 34 quarter notes in, four a bar
    assert lawful(daw.site)


@pytest.mark.parametrize("tempo", [40, 96, 150])
def test_a_midi_clock_at_another_tempo_than_the_scores_is_followed(tempo: float) -> None:
    """The score says 120 quarter notes a minute; the sender decides."""
    daw = Daw(None)
    zero_s = plays_clock(daw, tempo, 12 if tempo < 60 else 16, b"\xfa")
    stretch = 120 / tempo
    found = [t for t in onsets(daw.site, zero_s + 3.0) if t < daw.site.now_s]
    numbers = [round(((t - zero_s) / stretch - FIRST_S) / GAP_S) for t in found]
    assert len(numbers) >= 8
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    late = [
        t - zero_s - stretch * (FIRST_S + n * GAP_S) for t, n in zip(found, numbers, strict=True)
    ]
    assert max(map(abs, late)) < 0.005, late
    assert lawful(daw.site)


def test_a_midi_clock_that_changes_its_tempo_is_followed_from_there() -> None:
    daw = Daw(None)
    plays_clock(daw, 120, 8, b"\xfa")
    changed_s = daw.site.now_s + 60 / 132 / 24
    daw.send(changed_s, clocks(132, 24 * 12))
    zero_s = changed_s - 4.0 * 120 / 132  # where the score would have begun at the new tempo
    found = [t for t in onsets(daw.site, changed_s + 1.5) if t < daw.site.now_s]
    late = [(t - zero_s) * 132 / 120 - FIRST_S for t in found]
    late = [x - GAP_S * round(x / GAP_S) for x in late]
    assert len(late) >= 12
    assert max(map(abs, late)) < 0.005, late
    assert lawful(daw.site)
