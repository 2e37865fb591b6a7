"""Where a bang is heard after a device missed something: by a made-up device whose truth is known.

Every bound here is in the device's own time. A call may be late, but less than the device has in
hand: later, and it runs dry, which is an underrun whether it says so or not.
"""

from __future__ import annotations

import random
from copy import deepcopy
from functools import cache

import numpy as np
import pytest

from bridge.show.audio_process import REPORT_S
from bridge.sound.ear import HAND_OVER_S, MOST_DEVICE_S, Clock, Ear
from bridge.sound.synthesis import Floats

RATE, BLOCK = 48_000, 256
BLOCK_S = BLOCK / RATE
AHEAD_S = 2 * BLOCK_S
"""As JACK's dummy driver: measured."""
EVERY_S = 0.004
NEAR_S = 0.0012
"""A step that is taken at once (1 ms), and what is left of the line's own error."""


class Tape:
    """Stands in for the synthesis: keeps which bang was put where."""

    def __init__(self) -> None:
        self.fresh: list[tuple[int, float]] = []
        """Number and place in frames, of the last block."""

    def block(self, frames: int, bangs: dict[int, tuple[Floats, Floats]]) -> Floats:
        places, numbers = bangs.get(0, (np.zeros(0), np.zeros(0)))
        self.fresh = [(round(n), float(p)) for n, p in zip(numbers, places, strict=True)]
        return np.zeros((frames, 2))


class Night:
    """An ear between bangs that arrive up to 18 ms old, and a device."""

    def __init__(self, ppm: float = 0.0, *, late_s: float = 1e-4, ahead_s: float = AHEAD_S) -> None:
        self.ear = Ear(RATE)
        self.clock = Clock(self.ear)
        self.tape = Tape()
        self.ear._synthesis = self.tape  # type: ignore[assignment]
        self.ahead_s = ahead_s
        self.fired: dict[int, float] = {}
        self.heard: dict[int, float] = {}
        """When each bang was heard, in s of the host."""
        self.takeable: dict[int, bool] = {}
        """Was it here when the block of its time was asked for, or before?"""
        self._pace = 1 + ppm * 1e-6
        self._late_s = late_s
        self._draw = random.Random(ppm)
        self._moved_s = 0.0
        self._observed_s = 0.0
        self._now_s = 100.0
        self._on_its_way: list[tuple[float, int]] = []
        self._next_s = 100.0

    def true_s(self, frame: float) -> float:
        """When it is heard."""
        return 100.0 + self._moved_s + self.ahead_s + frame / RATE / self._pace

    def _fire(self, now_s: float) -> None:
        """What was fired up to now, and is here by now."""
        while self._next_s <= now_s:
            number = len(self.fired) + 1
            self.fired[number] = self._next_s
            self._on_its_way.append((self._next_s + self._draw.uniform(0.002, 0.018), number))
            self._next_s += EVERY_S
        here = [n for at_s, n in self._on_its_way if at_s <= now_s]
        self._on_its_way = [(at_s, n) for at_s, n in self._on_its_way if at_s > now_s]
        first_s = self.true_s(self.ear.frame)
        for number in here:
            due_s = self.fired[number] + self.ear.latency_s
            self.takeable[number] = due_s >= first_s
            self.ear.arrived.append((self.fired[number], number, 0.0))

    def call(self, late_s: float | None = None, *, said: bool = False) -> None:
        """The device asks for a block."""
        ear, draw = self.ear, self._draw
        if late_s is None:
            late_s = draw.expovariate(1 / self._late_s) if self._late_s else 0.0
            late_s = min(late_s + (draw.uniform(0, 0.008) if draw.random() < 0.05 else 0), 0.009)
        here_s = self.true_s(ear.frame) - self.ahead_s
        self._now_s = max(self._now_s, here_s + late_s)  # one thread: never before its last call
        self._fire(self._now_s)
        ear.play(np.zeros((BLOCK, 2), dtype=np.float32), self._now_s, self.ahead_s, said)
        for number, place in self.tape.fresh:
            assert number not in self.heard
            self.heard[number] = self.true_s(place)
        if self._now_s - self._observed_s >= REPORT_S:
            self._observed_s = self._now_s
            self.clock.observe()
            ear.put_latency_right()

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds / BLOCK_S)):
            self.call()

    def miss(self, by_s: float, late_s: float = 0.0, *, said: bool = True) -> None:
        """From the next call on all is heard later; that call is late beside."""
        self._moved_s += by_s
        self.call(late_s, said=said)

    def since(self, number: int) -> list[int]:
        """Bangs fired after this one whose time has come."""
        last_s = self.true_s(self.ear.frame) - self.ear.latency_s - NEAR_S
        return [n for n, s in self.fired.items() if n > number and s < last_s]

    def errors_s(self, numbers: list[int]) -> list[float]:
        return [self.heard[n] - self.fired[n] - self.ear.latency_s for n in numbers]


def settled(ppm: float, late_s: float = 1e-4) -> Night:
    """Two seconds in: the latency is known, and the device's pace."""
    return deepcopy(_settled(ppm, late_s))


@cache
def _settled(ppm: float, late_s: float) -> Night:
    night = Night(ppm, late_s=late_s)
    night.run(2.5)
    assert night.ear.latency_s == pytest.approx(HAND_OVER_S + AHEAD_S + BLOCK_S)
    return night


PPMS = (-5000.0, 0.0, 5000.0)


@pytest.mark.parametrize("ppm", PPMS)
@pytest.mark.parametrize("late_s", [1e-4, 2e-3])
def test_without_a_fault_all_is_heard_and_nothing_is_left_out(ppm: float, late_s: float) -> None:
    """Bangs up to 18 ms old, in a block of 5.3 ms: the last frame of a block has to be known as
    early as the first."""
    night = settled(ppm, late_s)
    late, last = night.ear.late, len(night.fired)
    night.run(10.0)
    errors = night.errors_s(night.since(last))  # a bang that is missing is a KeyError
    assert night.ear.late == late
    assert max(map(abs, errors)) < NEAR_S


@pytest.mark.parametrize("ppm", PPMS)
@pytest.mark.parametrize("call_late_ms", [0.0, 4.0, 9.0])
@pytest.mark.parametrize("blocks", [1, 40])
def test_after_an_underrun_that_is_told_the_next_call_in_time_is_right_again(
    ppm: float, call_late_ms: float, blocks: int
) -> None:
    """How late the first call is nobody knows: what was due in so long is lost too. What is due
    later is heard, within as much; two blocks on, to a millisecond."""
    night = settled(ppm)
    before, last = night.ear.late, len(night.fired)
    night.miss(blocks * BLOCK_S, call_late_ms / 1000)
    first_s = night.true_s(night.ear.frame - BLOCK)
    call_late_s = call_late_ms / 1000
    night.run(3.0)
    for number in night.since(last - 40):
        due_s = night.fired[number] + night.ear.latency_s
        if due_s > first_s + 3 * BLOCK_S:
            assert abs(night.heard[number] - due_s) < NEAR_S
        elif night.takeable[number] and due_s > first_s + call_late_s + NEAR_S:
            assert abs(night.heard[number] - due_s) < call_late_s + NEAR_S
    lost = sum(n not in night.heard for n in night.since(last - 40))
    assert night.ear.late - before == lost, "what is left out is counted"
    assert lost <= (blocks * BLOCK_S + call_late_s) / EVERY_S + 2, "what was due meanwhile"


@pytest.mark.parametrize("ppm", PPMS)
def test_after_ten_in_a_row_with_late_calls_the_place_is_found_again(ppm: float) -> None:
    night = settled(ppm)
    before, last = night.ear.late, len(night.fired)
    for n in range(10):
        night.miss(BLOCK_S, 0.001 * (n % 9))
        night.call(0.008)
    again = len(night.fired)
    night.run(3.0)
    assert max(map(abs, night.errors_s(night.since(again)))) < NEAR_S
    lost = sum(n not in night.heard for n in night.since(last - 40))
    assert night.ear.late - before == lost <= 10 * (BLOCK_S / EVERY_S + 1)


@pytest.mark.parametrize("ppm", PPMS)
def test_a_device_that_stops_for_two_seconds_and_says_nothing(ppm: float) -> None:
    """It was called for when its time was over: the very call tells. What was fired meanwhile is
    left out, not heard in a heap, and what is fired now is heard as before."""
    night = settled(ppm)
    before, last, underruns = night.ear.late, len(night.fired), night.ear.underruns
    night.miss(2.0, said=False)
    first_s = night.true_s(night.ear.frame - BLOCK)
    assert night.ear.underruns == underruns + 1
    night.run(3.0)
    for number in night.since(last - 40):
        due_s = night.fired[number] + night.ear.latency_s
        if night.takeable[number] and due_s > first_s + NEAR_S:
            assert abs(night.heard[number] - due_s) < NEAR_S
    lost = sum(n not in night.heard for n in night.since(last - 40))
    assert night.ear.late - before == lost
    assert lost == pytest.approx(2.0 / EVERY_S, abs=3)


@pytest.mark.parametrize("ppm", PPMS)
@pytest.mark.parametrize("blocks", [1, 2])
def test_blocks_left_out_unsaid_that_no_single_call_tells_are_found_in_four_reports(
    ppm: float, blocks: int
) -> None:
    """Until then all is heard, late by as much; what was to be heard in so long is lost then."""
    night = settled(ppm)
    before, last = night.ear.late, len(night.fired)
    night.miss(blocks * BLOCK_S, said=False)
    night.run(4 * REPORT_S + 2 * BLOCK_S)
    again = len(night.fired)
    night.run(3.0)
    assert max(map(abs, night.errors_s(night.since(again)))) < NEAR_S
    lost = sum(n not in night.heard for n in night.since(last - 40))
    assert night.ear.late - before == lost <= blocks * BLOCK_S / EVERY_S + 2


def test_a_hundred_underruns_later_the_latency_is_what_it_was() -> None:
    night = settled(100)
    for n in range(100):
        night.miss(BLOCK_S, 0.0001 * (n % 80))
        night.run(0.12)
    again = len(night.fired)
    night.run(1.0)
    assert night.ear.latency_s == pytest.approx(HAND_OVER_S + AHEAD_S + BLOCK_S)
    assert max(map(abs, night.errors_s(night.since(again)))) < NEAR_S


def test_a_device_that_asks_earlier_makes_the_latency_longer_and_shorter_again() -> None:
    """By so much and no more; only what was under way while it changed may be left out."""
    night = settled(0)
    usual_s, extra_s = night.ear.latency_s, 0.03
    for change_s in (extra_s, -extra_s):
        night._moved_s -= change_s  # nothing is heard later or sooner for it
        night.ahead_s += change_s
        night.run(1.0)
        late, again = night.ear.late, len(night.fired)
        night.run(1.0)
        assert night.ear.late == late
        assert max(map(abs, night.errors_s(night.since(again)))) < NEAR_S
        assert night.ear.latency_s == pytest.approx(usual_s + max(change_s, 0))
    night.ahead_s += 60.0  # nonsense
    night.run(1.0)
    assert night.ear.latency_s == HAND_OVER_S + MOST_DEVICE_S


def test_a_line_that_was_drawn_by_late_calls_alone_is_put_right_by_the_first_on_time() -> None:
    """Nobody is called early. By half a millisecond in a second, as drift is followed, it would
    take half a minute and most bangs."""
    night = settled(0)
    night.miss(BLOCK_S, 0.009)
    for _ in range(100):
        night.call(0.009)
    night.run(2 * BLOCK_S)
    again, late = len(night.fired), night.ear.late
    night.run(1.0)
    assert max(map(abs, night.errors_s(night.since(again)))) < NEAR_S
    assert night.ear.late == late
