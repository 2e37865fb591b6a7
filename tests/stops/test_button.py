"""The button's thread over a fake of pyserial's line interface. Time is the test's."""

from __future__ import annotations

from collections.abc import Callable

import serial

from bridge.clocks import HostS
from bridge.stops.button import Button, ModemLines
from bridge.stops.challenge import STEP_S, STEPS_TO_NOTICE, Finding
from bridge.stops.condition import Condition


class FakeAdapter:
    """RTS out, CTS in, as the loop between them makes it; DTR is not to be touched."""

    def __init__(self) -> None:
        self.loop: Callable[[bool], bool] = lambda rts: rts
        self.unplugged = False
        self.closed = 0
        self._rts = True

    @property
    def rts(self) -> bool:
        return self._rts

    @rts.setter
    def rts(self, level: bool) -> None:
        self._check()
        self._rts = level

    @property
    def cts(self) -> bool:
        self._check()
        return self.loop(self._rts)

    @property
    def dtr(self) -> bool:
        raise AssertionError("DTR was looked at")

    @dtr.setter
    def dtr(self, level: bool) -> None:
        raise AssertionError("DTR was set")

    def _check(self) -> None:
        if self.unplugged:
            raise serial.SerialException("device disconnected")

    def close(self) -> None:
        self.closed += 1


class Story:
    """Runs a Button, with something done to the adapter at each given time."""

    def __init__(self, *acts: tuple[float, Callable[[FakeAdapter], None]]) -> None:
        self.adapter = FakeAdapter()
        self.now_s = 0.0
        self.said: list[tuple[float, Finding]] = []
        self._acts = list(acts)
        self.opened = 0

    def open(self) -> ModemLines:
        if self.adapter.unplugged:
            raise serial.SerialException("could not open port")
        self.opened += 1
        return self.adapter

    def run(self, until_s: float) -> list[tuple[float, Condition]]:
        def wait(seconds: float) -> bool:
            self.now_s += seconds
            while self._acts and self._acts[0][0] <= self.now_s:
                self._acts.pop(0)[1](self.adapter)
            return self.now_s >= until_s

        Button(
            self.open,
            lambda finding: self.said.append((self.now_s, finding)),
            clock=lambda: HostS(self.now_s),
            wait=wait,
        ).run()
        return [(at, f.condition) for at, f in self.said]


def opened(adapter: FakeAdapter) -> None:
    adapter.loop = lambda rts: False


def stuck_high(adapter: FakeAdapter) -> None:
    adapter.loop = lambda rts: True


def whole(adapter: FakeAdapter) -> None:
    adapter.loop = lambda rts: rts


def unplugged(adapter: FakeAdapter) -> None:
    adapter.unplugged = True


def plugged(adapter: FakeAdapter) -> None:
    adapter.unplugged = False


def first(said: list[tuple[float, Condition]], condition: Condition, after_s: float) -> float:
    return next(at for at, c in said if c is condition and at >= after_s)


BOUND_S = STEPS_TO_NOTICE * STEP_S + 1e-9


def test_a_press_is_noticed_within_sixty_milliseconds() -> None:
    said = Story((3.0, opened), (4.0, whole)).run(5.0)
    assert first(said, Condition.PRESSED, 3.0) - 3.0 <= BOUND_S <= 0.061
    assert said[-1][1] is Condition.CLOSED


def test_stuck_high_is_noticed_within_the_same_time() -> None:
    said = Story((3.0, stuck_high)).run(4.0)
    assert first(said, Condition.BROKEN, 3.0) - 3.0 <= BOUND_S
    assert said[-1][1] is Condition.BROKEN


def test_an_adapter_that_is_pulled_out_is_noticed_at_the_next_step_and_opened_again() -> None:
    story = Story((3.0, unplugged), (5.0, plugged))
    said = story.run(7.0)
    assert first(said, Condition.ABSENT, 3.0) - 3.0 <= STEP_S + 1e-9
    assert said[-1][1] is Condition.CLOSED
    assert (story.opened, story.adapter.closed) == (2, 2)


def test_an_adapter_that_is_not_there_at_first_is_waited_for() -> None:
    story = Story((2.0, plugged))
    story.adapter.unplugged = True
    said = story.run(4.0)
    assert said[0][1] is Condition.ABSENT
    assert said[-1][1] is Condition.CLOSED
    assert story.said[0][1].detail == "could not open port"


def test_a_press_is_said_as_a_press_and_nothing_else() -> None:
    for phase in range(20):
        said = Story((3.0 + phase * STEP_S, opened)).run(4.0)
        after = [c for at, c in said if at >= 3.0]
        assert set(after) == {Condition.PRESSED}
