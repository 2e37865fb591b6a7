"""The walk: nothing live first, one fresh act a step, a reading at each, an end when it must."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from bridge.coil.fit import read_csv, write_csv
from bridge.coil.lawful import at_any_rate, current_allowed_a
from bridge.coil.walk import RISE, Step, Walk, steps
from bridge.commission import WalkWords
from bridge.config import Coil
from bridge.terminal import StoppingAnswer
from tests.coil.parts import coil, model


def measured(made: list[Step]) -> list[Step]:
    return [s for s in made if s.wants_reading]


def walk(one: Coil | None = None, *, with_arc: bool = False) -> Walk:
    return Walk(one or coil(), with_arc=with_arc, commanded_us=lambda us: us)


def prepared(one: Walk) -> Walk:
    while one.step is not None and not one.step.wants_reading:
        one.next()
    return one


def test_the_fibre_comes_first_then_the_stops_then_the_drivers_trip() -> None:
    made = steps(coil())
    assert [s.title for s in made[:3]] == ["fibre", "stop", "over-current trip"]
    assert "Mains off" in made[0].do
    assert "0 V" in made[0].do
    assert "output 1 of North" in made[0].do
    assert "4050 A" in made[2].do
    assert all(s.on_time_us == 20 for s in made[:4])  # the shortest that breaks out
    assert not any(s.wants_reading for s in made[:3])
    assert all(s.wants_reading for s in made[3:])


@pytest.mark.parametrize("limit", [1500.0, 2500.0, 4000.0, 9000.0])
def test_steps_are_made_from_this_coils_numbers(limit: float) -> None:
    one = coil({"current_limit_a": limit}, max_on_time_us=150)
    numbers = model({"current_limit_a": limit})
    made = measured(steps(one))
    assert made[0].on_time_us == one.min_on_time_us
    longest = min(150.0, at_any_rate(numbers)[0].on_time_us)
    assert made[-1].on_time_us == pytest.approx(max(20.0, longest))
    allowed = current_allowed_a(numbers)
    for before, after in pairwise(made):
        assert before.on_time_us < after.on_time_us <= 1.25 * before.on_time_us + 1e-9
        rise = numbers.worst.current_a(after.on_time_us * 1e-6) - numbers.worst.current_a(
            before.on_time_us * 1e-6
        )
        assert rise <= RISE * allowed * 1.001
        assert after.most_a is not None
        assert after.most_a <= allowed


def test_a_coil_without_tank_data_walks_by_length_alone() -> None:
    one = coil().model_copy(update={"tank": None})
    made = measured(steps(one))
    assert made[0].on_time_us == 20
    assert made[-1].on_time_us == 80
    assert all(s.most_a is None for s in made)
    assert len(made) > 5


def test_no_step_is_left_without_its_reading() -> None:
    one = prepared(walk())
    at = one.index
    assert one.next().startswith("first a reading")
    assert one.index == at
    assert one.read(500.0).startswith("taken")
    one.next()
    assert one.index == at + 1


def test_the_whole_walk_with_readings_as_expected() -> None:
    one = prepared(walk())
    truth = model().unloaded
    while not one.done:
        assert one.step is not None
        assert one.may_fire
        one.read(truth.current_a(one.step.on_time_us * 1e-6))
        one.next()
        if one.halted:
            break
    found = one.fit()
    assert found is not None
    assert found.inductance_h == pytest.approx(model().circuit.inductance_h, rel=0.02)
    # Two sigma of a 3 % scope leave a little less than the nameplate says.
    assert one.halted.startswith("the readings lead to") or one.done
    assert found.longest_us > 60
    assert not one.may_fire


def test_a_reading_beyond_the_numbers_ends_it() -> None:
    one = prepared(walk())
    assert one.step is not None
    assert one.step.most_a is not None
    said = one.read(one.step.most_a * 1.01)
    assert said.startswith("STOP HERE")
    assert not one.may_fire
    assert "is over" in one.next()
    at = one.index
    one.next()
    assert one.index == at
    assert one.read(1.0) == "no reading is wanted here"


def test_readings_that_lead_too_far_end_it_before_the_step() -> None:
    # The coil is told to have a sixth more inductance than it has: each reading lies within what
    # the worst case allows at its step ...
    one = prepared(walk(coil({"impedance_ohm": 17.0, "current_limit_a": 1670.0})))
    truth = model({"impedance_ohm": 14.5}).unloaded
    allowed = 0.9 * 1670
    fired: list[float] = []
    while not one.done and not one.halted:
        assert one.step is not None
        fired.append(one.step.on_time_us)
        one.read(truth.current_a(one.step.on_time_us * 1e-6))
        one.next()
    # ... so only the fit sees it, before the step; what was fired keeps the true primary's worst
    # case within what is allowed.
    assert one.halted.startswith("the readings lead to")
    worst = model({"impedance_ohm": 14.5}).worst
    assert max(worst.current_a(us * 1e-6) for us in fired) <= allowed
    nominal = measured(steps(coil({"impedance_ohm": 17.0, "current_limit_a": 1670.0})))
    assert max(fired) < nominal[-1].on_time_us - 5


def test_a_reading_taken_again_takes_the_firsts_place() -> None:
    one = prepared(walk())
    one.read(400.0)
    one.read(450.0)
    assert [r.peak_current_a for r in one.readings] == [450.0]
    assert "no peak current" in one.read(-1.0)


def test_the_one_who_looks_may_end_it() -> None:
    one = walk()
    assert one.stop("smoke").startswith("STOP HERE: the walk is over. Mains off. smoke")
    assert not one.may_fire


class Fired:
    def __init__(self, one: Walk) -> None:
        self.shots = 0
        self.held = 0
        self.words = WalkWords(one, self._fire, self._hold)

    def _fire(self) -> None:
        self.shots += 1

    def _hold(self) -> bool:
        self.held += 1
        return self.held == 1


def test_keys_and_words_say_the_same() -> None:
    one = prepared(walk())
    keys = Fired(one)
    assert str(keys.words("reading 600")).startswith("nothing was fired at this step")
    assert one.readings == []
    assert keys.words("f") == "20.0 µs asked (fires only while armed)"
    assert keys.words("fire") is not None
    assert keys.shots == 2
    assert keys.words("g") == "20.0 µs, while held"
    assert keys.words("hold") == ""
    for key in "6447":
        keys.words(key)
    assert keys.words("\x7f") == "reading: 644 A, then Enter"
    assert keys.words("\n") == "taken: 644 A at 20 µs; next when it was steady"
    assert keys.words("\n") == ""
    assert keys.words("reading 650 A") == "taken: 650 A at 20 µs; next when it was steady"
    assert keys.words("reading lots") == "'lots' is no number of amperes"
    assert str(keys.words("n")).startswith("step 5 of")
    assert str(keys.words("reading 600")).startswith("nothing was fired at this step")
    assert str(keys.words("where")).startswith("step 5 of")
    assert keys.words("arm") is None
    assert str(keys.words("halt")).startswith("STOP HERE")
    assert str(keys.words("fire")).startswith("the walk is over")
    assert keys.shots == 2


def test_what_halts_the_walk_stops_the_site_as_well() -> None:
    one = prepared(walk())
    keys = Fired(one)
    assert one.step is not None
    assert one.step.most_a is not None
    keys.words("fire")
    assert not isinstance(keys.words("reading 500"), StoppingAnswer)
    bad = keys.words(f"reading {one.step.most_a * 1.01:g}")
    assert isinstance(bad, StoppingAnswer)
    assert "more than" in bad
    # What is said afterwards stops nothing anew, but a hand on the halt always does.
    assert not isinstance(keys.words("where"), StoppingAnswer)
    assert isinstance(keys.words("x"), StoppingAnswer)
    assert isinstance(Fired(walk()).words("halt"), StoppingAnswer)


def test_its_readings_are_what_the_fit_reads(tmp_path: Path) -> None:
    one = prepared(walk(with_arc=True))
    one.read(500.0)
    path = tmp_path / "readings.csv"
    write_csv(path, one.readings)
    assert read_csv(path) == one.readings
    assert one.readings[0].breakout
