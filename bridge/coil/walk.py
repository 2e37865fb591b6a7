"""The commissioning walk: ordered steps for one coil, made from its own numbers. Pure.

First nothing live: the fibre is identified with the bus off, then the emergency stop and the
driver's own over-current trip are tried. Only then the shortest pulse that breaks out, and longer
ones by steps in which the worst-case current rises by RISE of what is allowed at most. A step is
left only with a reading; a reading beyond what the numbers allow ends the walk. From the third
reading on, the fit of the readings must allow the next step as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from bridge.coil.fit import LEAST_READINGS, Fit, FitError, Reading, fit
from bridge.coil.fit_limits import limits_of_fit, model_of_fit
from bridge.coil.lawful import at_any_rate, current_allowed_a
from bridge.coil.model import CoilModel, model_of
from bridge.config import Coil

RISE = 0.12
"""Of the current allowed, at most, from one step to the next."""
GROWTH = 1.25
"""Most by which a step lengthens the pulse."""
_SMALLEST_US = 0.5


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, what to measure, and when to go no further."""

    title: str
    do: str
    measure: str
    stop_when: str
    on_time_us: float
    wants_reading: bool = False
    expected_a: float | None = None
    """With the usual arc."""
    most_a: float | None = None
    """In the worst case."""


def _preparation(coil: Coil, model: CoilModel | None) -> list[Step]:
    shortest = coil.min_on_time_us
    trip = "the current its data sheet gives"
    if model is not None:
        trip = f"{current_allowed_a(model):.0f} A or less"
    return [
        Step(
            "fibre",
            f"Mains off and locked, bus bled and measured: 0 V. Fire, and look at the far end of "
            f'the fibre of "{coil.name}" (output {coil.output} of {coil.controller}).',
            "Light at this coil's fibre and at no other, dark when it is not fired.",
            "any other coil's fibre lights up, or the light stays on",
            shortest,
        ),
        Step(
            "stop",
            "Bus still off. Hold a rate and press the emergency button; then once more and press "
            "the space bar.",
            "Dark at once both times, and no light until it was reset and armed anew; the mains "
            "contactor opens with the button.",
            "anything lights up after the button, or the contactor stays in",
            shortest,
        ),
        Step(
            "over-current trip",
            f"Set the driver's own over-current trip to {trip}, and try it as its maker says: with "
            "the bus turned down as far as it goes, or with a test current through its "
            "transformer. Nobody inside the keep-out distance.",
            "The driver ends the pulse by itself and stays out until it is reset.",
            "it does not trip by itself: no longer pulse then, on any bus",
            shortest,
        ),
    ]


def _on_times(coil: Coil, model: CoilModel | None) -> list[float]:
    """From the shortest pulse to the longest lawful one."""
    longest = coil.max_on_time_us
    if model is not None:
        # What is measured here may widen what was measured before: no bound by measured_to_us.
        free = replace(model, tank=model.tank.model_copy(update={"measured_to_us": None}))
        longest = min(longest, at_any_rate(free)[0].on_time_us)
    found = [coil.min_on_time_us]
    while found[-1] < longest - 1e-9:
        step = found[-1] * GROWTH
        if model is not None:
            allowed_a = current_allowed_a(model)
            next_a = model.worst.current_a(found[-1] * 1e-6) + RISE * allowed_a
            step = min(step, model.worst.longest_s(next_a) * 1e6)
        found.append(min(longest, max(step, found[-1] + _SMALLEST_US)))
    return found


def steps(coil: Coil) -> list[Step]:
    """The whole walk, in order."""
    model = model_of(coil)
    made = _preparation(coil, model)
    for number, on_us in enumerate(_on_times(coil, model)):
        expected = most = None
        stop_when = "the current is more than switches and capacitor take"
        if model is not None:
            expected = model.expected.current_a(on_us * 1e-6)
            most = model.from_rest.current_a(on_us * 1e-6)
            most = min(most, current_allowed_a(model))
            stop_when = f"more than {most:.0f} A, or the wave does not rise evenly"
        first = "Bus at its working voltage, everybody behind the line. " if number == 0 else ""
        made.append(
            Step(
                f"{on_us:.1f} µs",
                f"{first}Fire single bangs and read the peak primary current.",
                "The peak over pulse and ring-down, with a current transformer on a scope"
                + (f"; about {expected:.0f} A is expected with an arc." if expected else "."),
                stop_when,
                on_us,
                wants_reading=True,
                expected_a=expected,
                most_a=most,
            )
        )
    return made


class Walk:
    """Where the walk is. Words in, lines for people out; firing itself is the caller's."""

    def __init__(self, coil: Coil, *, with_arc: bool, commanded_us: Callable[[float], float]):
        """commanded_us: what the governor makes of an on-time asked."""
        self._coil = coil
        self._model = model_of(coil)
        self._with_arc = with_arc
        self._commanded_us = commanded_us
        self.steps = steps(coil)
        self.index = 0
        self.readings: list[Reading] = []
        self.halted = ""
        """Why the walk is over before its end; empty: it is not."""

    @property
    def done(self) -> bool:
        return self.index >= len(self.steps)

    @property
    def may_fire(self) -> bool:
        return not self.halted and not self.done

    @property
    def step(self) -> Step | None:
        return None if self.done else self.steps[self.index]

    @property
    def on_time_us(self) -> float:
        """What this step fires."""
        return self._coil.min_on_time_us if self.step is None else self.step.on_time_us

    def describe(self) -> str:
        if self.halted:
            return f"the walk is over: {self.halted}"
        step = self.step
        if step is None:
            return "every step is done"
        return (
            f"step {self.index + 1} of {len(self.steps)}, {step.title}: {step.do} Measure: "
            f"{step.measure} Stop when {step.stop_when}."
        )

    def _halt(self, why: str) -> str:
        self.halted = why
        return f"STOP HERE: the walk is over. Mains off. {why}"

    def read(self, peak_current_a: float) -> str:
        """A reading of this step; a second one takes the first one's place."""
        step = self.step
        if self.halted or step is None or not step.wants_reading:
            return "no reading is wanted here"
        if not 0 < peak_current_a < math.inf:
            return f"{peak_current_a:g} A is no peak current"
        on_us = round(self._commanded_us(step.on_time_us), 2)
        self.readings = [r for r in self.readings if r.on_time_us != on_us]
        self.readings.append(Reading(on_us, peak_current_a, self._with_arc))
        if step.most_a is not None and peak_current_a > step.most_a:
            return self._halt(
                f"{peak_current_a:.0f} A at {on_us:g} µs is more than the {step.most_a:.0f} A that "
                "the worst case allows: the tank's or the supply's numbers are wrong. Mains off, "
                "find out why, begin anew."
            )
        return f"taken: {peak_current_a:g} A at {on_us:g} µs; next when it was steady"

    def stop(self, why: str) -> str:
        """The person sees something that should not be."""
        return self._halt(why)

    def next(self) -> str:
        """On to the next step: by a fresh act, and only with this step's reading."""
        step = self.step
        if self.halted or step is None:
            return self.describe()
        if step.wants_reading and not self._has_reading(step):
            return "first a reading: its peak current in amperes"
        if self.index + 1 < len(self.steps):
            after = self.steps[self.index + 1]
            if after.wants_reading and (problem := self._beyond(after)):
                return self._halt(problem)
        self.index += 1
        return self.describe()

    def _has_reading(self, step: Step) -> bool:
        on_us = round(self._commanded_us(step.on_time_us), 2)
        return any(r.on_time_us == on_us for r in self.readings)

    def fit(self) -> Fit | None:
        """Of the readings so far; None while no fit can stand on them."""
        if self._model is None:
            return None
        try:
            return fit(self.readings, self._model.drive_v)
        except FitError:
            return None

    def _beyond(self, after: Step) -> str:
        """Why the readings so far forbid the next step; empty: they do not."""
        found = self.fit() if len(self.readings) >= LEAST_READINGS else None
        if found is None or self._model is None:
            return ""
        first = at_any_rate(model_of_fit(found, self._model))[0]
        if after.on_time_us <= first.on_time_us:
            return ""
        longest_us, _ = limits_of_fit(found, self._model)
        return (
            f"the readings lead to more than is allowed at {after.on_time_us:.1f} µs in the worst "
            f"case, by {first.reason.value}. The longest that stands on them is "
            f"{longest_us:.1f} µs."
        )
