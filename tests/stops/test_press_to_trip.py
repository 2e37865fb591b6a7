"""From a press to the trip and to the dark, in simulated time, whatever the adapter does."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from bridge.clocks import HostS
from bridge.interlock import Cause, State
from bridge.music.instrument import Instrument
from bridge.stops.attend import LOOK_S
from bridge.stops.button import WatchedButton
from bridge.stops.challenge import LATE_S, STEP_S, STEPS_TO_NOTICE, Finding
from bridge.stops.condition import Condition
from bridge.virtual_site import VirtualSite
from tests.chain.rig import INPUT, between, note_on, organ
from tests.stops.rig import config
from tests.stops.test_button import FakeAdapter, opened, stuck_high, unplugged

BUTTON = "Desk"
DARK_S = 0.010
"""The project's own bound from a stop on the host to the last pulse."""
PLAYED_S = 1.0
NOTICED_S = STEPS_TO_NOTICE * STEP_S
SURELY_S = LATE_S + LOOK_S
"""Whatever the adapter does."""


class SlowAdapter(FakeAdapter):
    """Each access takes its time; `hangs_from_s`: from then on it takes for ever."""

    def __init__(self, passes: Callable[[float], None]) -> None:
        super().__init__()
        self._passes = passes
        self.access_s = 0.0

    def _check(self) -> None:
        if self.access_s:
            self._passes(self.access_s)
        super()._check()


class Desk:
    """A playing site with one button, looked at as the service does, in simulated time."""

    def __init__(self, folder: Path, *, plays: bool = True) -> None:
        self._plays = plays
        stop = {"name": BUTTON, "kind": "button_line", "port": "/dev/desk"}
        built = config(folder, stop=[stop])
        self.site = VirtualSite(built, Instrument(built))
        self.found: list[Finding] = []
        self.now_s = 0.0
        self.begun_s = 0.0
        self.tripped_s = math.inf
        self.adapter = SlowAdapter(self._pass)
        self._look_s = LOOK_S
        self._until_s = math.inf
        self._acts: list[tuple[float, Callable[[], None]]] = []
        self.button = WatchedButton(
            lambda: self.adapter, self._changed, lambda call: call(), late_s=LATE_S,
            clock=lambda: HostS(self.now_s), wait=self._wait,
        )  # fmt: skip

    def _changed(self, finding: Finding) -> None:
        self.found.append(finding)
        if self.begun_s:
            self.site.run_until(HostS(self.begun_s + self.now_s))
        self.site.engine.stop_input(self.site.now_s, BUTTON, finding.condition, finding.detail)
        self.site._pump()  # pyright: ignore[reportPrivateUsage]
        if self.site.engine.interlock.state is State.TRIPPED:
            self.tripped_s = min(self.tripped_s, self.now_s)

    def _pass(self, seconds: float) -> None:
        end_s = self.now_s + seconds
        due = sorted([*((at, act) for at, act in self._acts), *self._looks(end_s)],
                     key=lambda one: one[0])  # fmt: skip
        for at_s, act in due:
            if at_s > end_s:
                break
            self.now_s = max(self.now_s, at_s)
            if (at_s, act) in self._acts:
                self._acts.remove((at_s, act))
            else:
                self._look_s += LOOK_S
            act()
        self.now_s = end_s

    def _looks(self, end_s: float) -> list[tuple[float, Callable[[], None]]]:
        count = max(0, int((end_s - self._look_s) / LOOK_S) + 1)
        return [(self._look_s + n * LOOK_S, self._look) for n in range(count)]

    def _look(self) -> None:
        self.button.look(HostS(self.now_s))

    def _wait(self, seconds: float) -> bool:
        self._pass(seconds)
        return self.now_s >= self._until_s

    def _play(self) -> None:
        assert self.found[-1].condition is Condition.CLOSED
        self.site.arm()
        organ(self.site)
        self.site.midi(INPUT, note_on(57, 110))
        self.site.run_for(0.3)
        self.begun_s = self.site.now_s - self.now_s

    def run(self, *acts: tuple[float, Callable[[FakeAdapter], None]], until_s: float = 4.0) -> None:
        """Played from 1 s on, and each act done to the adapter at its time."""
        self._acts = [(PLAYED_S, self._play)] if self._plays else []
        self._acts += [(at_s, partial(act, self.adapter)) for at_s, act in acts]
        self._until_s = until_s
        self.button.run()
        self.site.run_until(HostS(self.begun_s + self.now_s))


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


@pytest.mark.parametrize("act", [opened, stuck_high, unplugged])
@pytest.mark.parametrize("phase_ms", [0.0, 3.7, 9.9, 21.0])
def test_a_good_adapter_bounds_it_by_six_steps(
    desk: Desk, act: Callable[[FakeAdapter], None], phase_ms: float
) -> None:
    at_s = 1.5 + phase_ms / 1e3
    desk.run((at_s, act))
    # A press within a step is looked at from the next one on.
    assert 0 <= desk.tripped_s - at_s <= NOTICED_S + STEP_S + 1e-9
    trip = desk.site.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause is (Cause.STOP_BUTTON if act is opened else Cause.STOP_INPUT_FAULT)
    dark_from = HostS(desk.begun_s + desk.tripped_s + DARK_S)
    pulses = desk.site.take_pulses()["Larkspur"]
    assert between(pulses, HostS(desk.begun_s + at_s - 0.1), HostS(desk.begun_s + at_s))
    assert not between(pulses, dark_from, desk.site.now_s)


@pytest.mark.parametrize("access_ms", [1.0, 4.0, 12.0, 20.0, 40.0, 120.0, 400.0])
def test_a_slow_adapter_stops_in_time_or_is_no_button(desk: Desk, access_ms: float) -> None:
    """It becomes slow and the button is pressed at once: the trip comes in time all the same."""

    def slow_and_pressed(adapter: FakeAdapter) -> None:
        desk.adapter.access_s = access_ms / 1e3
        opened(adapter)

    desk.run((1.5, slow_and_pressed))
    assert 0 <= desk.tripped_s - 1.5 <= SURELY_S + 1e-9


@pytest.mark.parametrize("access_ms", [30.0, 120.0])
def test_an_adapter_that_is_too_slow_never_counts_as_closed(
    tmp_path: Path, access_ms: float
) -> None:
    desk = Desk(tmp_path, plays=False)
    desk.adapter.access_s = access_ms / 1e3
    desk.run(until_s=20.0)
    assert {f.condition for f in desk.found} == {Condition.ABSENT}
    assert any("answers" in f.detail for f in desk.found)


def test_an_adapter_that_hangs_stops(desk: Desk) -> None:
    def hangs(adapter: FakeAdapter) -> None:
        desk.adapter.access_s = 1.0

    def recovers(adapter: FakeAdapter) -> None:
        desk.adapter.access_s = 0.0

    desk.run((1.5, hangs), (5.0, recovers), until_s=9.0)
    assert 0 <= desk.tripped_s - 1.5 <= SURELY_S + 1e-9
    assert desk.found[-1].condition is Condition.CLOSED
    assert desk.site.engine.interlock.state is State.TRIPPED
    trip = desk.site.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause is Cause.STOP_INPUT_FAULT


def test_a_glitch_here_and_there_stops_nothing_and_hides_no_press(desk: Desk) -> None:
    """A coil's noise: one answer in ten is wrong; never two within four."""
    turns = random.Random(7)
    wrong: list[int] = []
    count = [0]

    def noisy(rts: bool) -> bool:
        count[0] += 1
        if turns.random() < 0.1 and (not wrong or count[0] - wrong[-1] > 4):
            wrong.append(count[0])
            return not rts
        return rts

    def begins(adapter: FakeAdapter) -> None:
        adapter.loop = noisy

    desk.run((1.5, begins), (6.5, opened), until_s=8.0)
    assert len(wrong) > 20
    assert 0 <= desk.tripped_s - 6.5 <= NOTICED_S + STEP_S + 1e-9


def test_a_wire_that_hangs_in_the_air_stops_within_half_a_second(desk: Desk) -> None:
    """Its answers are chance: two wrong ones within four come soon, and it never closes again."""
    turns = random.Random(3)

    def floats(adapter: FakeAdapter) -> None:
        adapter.loop = lambda rts: turns.random() < 0.5

    desk.run((1.5, floats), until_s=20.0)
    assert 0 <= desk.tripped_s - 1.5 <= 0.5
    assert desk.found[-1].condition is not Condition.CLOSED
