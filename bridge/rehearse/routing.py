"""Which channel had better play on which coil: a bounded search over assignments. Pure.

Every channel goes to one coil, or is spread over all. An assignment is first judged by a rough
reckoning (voices, break rate, range and duty on a grid of time), by the thousand; whoever asks
then rehearses the best and takes it only if it truly loses less.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bridge.config import Coil, Config, Route
from bridge.governor.limits import (
    duty_allowances,
    longest_on_time_us,
    rate_allowance,
    shortest_on_time_us,
)
from bridge.music.percussion import DRUMS
from bridge.music.routing import fit_note
from bridge.music.tuning import note_to_hz
from bridge.show.score_file import Score

MOST_ASSIGNMENTS = 3000
"""Up to so many are all looked at; with more, one channel is changed at a time."""
_MOST_ROUNDS = 6
_STEP_S = 0.05
_MOST_STEPS = 20_000
_QUIET_WEIGHT = 0.25
_FOLD_WEIGHT = 0.05
_MIDDLE = 0.6
"""Where between breakout and full scale a usual note's on-time is taken to lie."""

Floats = npt.NDArray[np.float64]
Assignment = tuple[int, ...]
"""Per channel of `Search.channels`: the coil's index, or the number of coils for spread."""


@dataclass(frozen=True, slots=True)
class _Load:
    """One channel on one coil, step by step: voices, break rate, and what is lost to range."""

    voices: Floats
    rate_hz: Floats
    misfit: float
    """Voice-seconds that cannot be played, folded ones counted a little."""


@dataclass(frozen=True, slots=True)
class _Bounds:
    voices: int
    rate_hz: float
    flow: float
    usual_us: float


class Search:
    """The score's channels and the site's coils, ready to judge assignments."""

    def __init__(self, config: Config, score: Score) -> None:
        self._config = config
        notes = _notes(score)
        self.channels = tuple(sorted(notes))
        self.coils = tuple(c.name for c in config.coil)
        steps = min(_MOST_STEPS, max(1, round(score.duration_s / _STEP_S)))
        self._step_s = max(score.duration_s, _STEP_S) / steps
        self._kept: list[tuple[float, int, Assignment]] = []
        self._most = 1
        self._count = 0
        self._bounds = [_bounds(c) for c in config.coil]
        self._loads = [
            [self._load(notes[channel], coil, channel, steps) for coil in config.coil]
            for channel in self.channels
        ]

    def _load(
        self, notes: Sequence[tuple[float, float, int]], coil: Coil, channel: int, steps: int
    ) -> _Load:
        voices, rate_hz = np.zeros(steps + 1), np.zeros(steps + 1)
        misfit = 0.0
        drums = channel == self._config.music.percussion_channel
        for begin_s, end_s, key in notes:
            if drums:
                if (drum := DRUMS.get(key)) is None:
                    continue
                hz, end_s = drum.first_hz, begin_s + drum.length_s  # noqa: PLW2901
            else:
                fitted = fit_note(key, coil.notes.lowest, coil.notes.highest, coil.notes.outside)
                if not isinstance(fitted, int):
                    misfit += end_s - begin_s
                    continue
                misfit += _FOLD_WEIGHT * (end_s - begin_s) * (fitted != key)
                hz = note_to_hz(fitted, self._config.music.a4_hz)
            first = min(steps - 1, int(begin_s / self._step_s))
            last = min(steps, max(first + 1, round(end_s / self._step_s)))
            voices[first] += 1
            voices[last] -= 1
            rate_hz[first] += hz
            rate_hz[last] -= hz
        return _Load(np.cumsum(voices)[:-1], np.cumsum(rate_hz)[:-1], misfit)

    def lost(self, assignment: Assignment) -> float:
        """Voice-seconds lost, roughly."""
        spread = len(self.coils)
        total = 0.0
        for index, bounds in enumerate(self._bounds):
            voices: Floats | float = 0.0
            rate_hz: Floats | float = 0.0
            for channel, choice in enumerate(assignment):
                if choice not in (index, spread):
                    continue
                load, share = self._loads[channel][index], 1.0 if choice == index else 1 / spread
                voices = voices + share * load.voices
                rate_hz = rate_hz + share * load.rate_hz
                total += share * load.misfit
            if isinstance(voices, float):
                continue
            mean_hz = rate_hz / np.maximum(voices, 1e-9)
            beyond = np.maximum(voices - bounds.voices, 0.0)
            beyond = np.maximum(beyond, (rate_hz - bounds.rate_hz) / np.maximum(mean_hz, 1.0))
            asked_flow = np.maximum(rate_hz, 1e-9) * bounds.usual_us
            quieter = np.maximum(0.0, 1 - bounds.flow / asked_flow) * voices
            total += self._step_s * float((beyond + _QUIET_WEIGHT * quieter).sum())
        return total

    def best(
        self,
        start: Assignment,
        progress: Callable[[float], None] = lambda share: None,
        *,
        most: int = 1,
    ) -> list[Assignment]:
        """The assignments that lose least, as far as it was looked, at most so many, the best
        first; ties go to the first met."""
        self._kept, self._most = [], most
        self._look(start, progress)
        return [assignment for _, _, assignment in self._kept]

    def _look(self, start: Assignment, progress: Callable[[float], None]) -> None:
        options = range(len(self.coils) + (len(self.coils) > 1))
        count = len(options) ** len(self.channels)
        if count <= MOST_ASSIGNMENTS:
            self._least(itertools.product(options, repeat=len(self.channels)), count, progress)
            return
        ring = tuple(i % len(self.coils) for i in range(len(self.channels)))
        starts = [start, ring, (options[-1],) * len(self.channels)]
        for number, begin in enumerate(starts):
            best = begin
            for turn in range(_MOST_ROUNDS):
                progress((number + turn / _MOST_ROUNDS) / len(starts))
                before = best
                for place in range(len(best)):
                    changed = ((*best[:place], o, *best[place + 1 :]) for o in options)
                    best = self._least(itertools.chain((best,), changed))
                if best == before:
                    break

    def _least(
        self,
        candidates: Iterator[Assignment],
        count: int = 0,
        progress: Callable[[float], None] = lambda share: None,
    ) -> Assignment:
        best: Assignment | None = None
        least = 0.0
        for number, candidate in enumerate(candidates):
            lost = self.lost(candidate)
            self._keep(candidate, lost)
            if best is None or lost < least - 1e-9:
                best, least = candidate, lost
            if count and number % 100 == 0:
                progress(number / count)
        assert best is not None
        return best

    def _keep(self, candidate: Assignment, lost: float) -> None:
        kept = self._kept
        if len(kept) == self._most and lost >= kept[-1][0]:
            return
        if all(candidate != known for _, _, known in kept):
            self._count += 1
            kept.append((round(lost, 9), self._count, candidate))
            kept.sort()
            del kept[self._most :]

    def as_now(self) -> Assignment:
        """The configuration's own routes as an assignment, as nearly as there is one."""
        spread = len(self.coils)
        chosen: list[int] = []
        for channel in self.channels:
            route = next((r for r in self._config.music.routes if channel in r.channels), None)
            one = route is not None and len(route.coils) == 1
            chosen.append(self.coils.index(route.coils[0]) if one and route else spread)
        return tuple(chosen)

    def routes(self, assignment: Assignment) -> tuple[Route, ...]:
        """As the site file says it; channels that the score does not play are spread."""
        by_choice: dict[int, list[int]] = defaultdict(list)
        for channel, choice in zip(self.channels, assignment, strict=True):
            by_choice[choice].append(channel)
        rest = [c for c in range(1, 17) if c not in self.channels]
        by_choice[len(self.coils)] += rest
        return tuple(
            Route(
                channels=tuple(sorted(channels)),
                coils=self.coils if choice == len(self.coils) else (self.coils[choice],),
                deal="spread" if choice == len(self.coils) else "all",
            )
            for choice, channels in sorted(by_choice.items())
            if channels
        )


def with_routes(config: Config, routes: tuple[Route, ...]) -> Config:
    """The same site with other routes."""
    music = config.music.model_copy(update={"routes": routes})
    return config.model_copy(update={"music": music})


def same_for(channels: Sequence[int], one: Config, other: Config) -> bool:
    """Is what these channels play played by the same coils, dealt in the same way, on both sites?
    (They may differ in routes alone, and those may be written differently.)"""
    return _ways(channels, one) == _ways(channels, other)


def _ways(channels: Sequence[int], config: Config) -> list[list[tuple[object, ...]]]:
    """By channel, the routes of its keys. Those that are dealt in turn bear a number of their own,
    for the channels of one route take turns with each other."""
    every = tuple(c.name for c in config.coil)
    routes = config.music.routes or (Route(coils=every, deal="spread"),)
    turns: dict[int, int] = {}
    found: list[list[tuple[object, ...]]] = []
    for channel in channels:
        ways: list[tuple[object, ...]] = []
        for index, route in enumerate(routes):
            if channel not in route.channels:
                continue
            coils = route.coils
            in_turn = route.deal == "spread" and len(coils) > 1
            turn = turns.setdefault(index, len(turns)) if in_turn else -1
            ways.append((route.lowest_note, route.highest_note, coils, turn, route.outside))
            if route.lowest_note <= 0 and route.highest_note >= 127:
                break  # nothing is left for those behind it
        found.append(ways)
    return found


def _bounds(coil: Coil) -> _Bounds:
    short, long = shortest_on_time_us(coil), longest_on_time_us(coil)
    return _Bounds(
        coil.max_voices,
        rate_allowance(coil).flow,
        min(a.flow for a in duty_allowances(coil)),
        short + _MIDDLE * (long - short),
    )


def _notes(score: Score) -> dict[int, list[tuple[float, float, int]]]:
    """(begin, end, key) by channel; what has no end lasts to the score's."""
    found: dict[int, list[tuple[float, float, int]]] = defaultdict(list)
    begun: dict[tuple[int, int], float] = {}
    for event in score.events:
        kind, channel = event.message[0] & 0xF0, (event.message[0] & 0x0F) + 1
        if kind not in (0x80, 0x90):
            continue
        key = event.message[1]
        begin_s = begun.pop((channel, key), None)
        if begin_s is not None:
            found[channel].append((begin_s, event.position_s, key))
        if kind == 0x90 and event.message[2]:
            begun[channel, key] = event.position_s
    for (channel, key), begin_s in begun.items():
        found[channel].append((begin_s, score.duration_s, key))
    return found
