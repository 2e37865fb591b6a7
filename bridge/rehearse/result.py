"""What a rehearsal tells, as plain values: coils, losses, channels, and both second by second.

Pure. Built from pulses and the account of the notes; nothing is played here.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.config import Coil
from bridge.governor.mains import budget_of
from bridge.link.renewal import LEASE_S, REFRESH_S
from bridge.link.slots import MOTION_S
from bridge.pulse_summary import summarise
from bridge.rehearse.account import OUTSIDE, NoteStory
from bridge.rehearse.over_time import MainsLine, OverTime, mains_lines, over_time
from bridge.rehearse.run import BEGIN_S, Performed, score_warnings
from bridge.show.score_file import Score

GAP_BARS = 1
"""Losses of one kind with at most so many whole bars between them are one finding."""


@dataclass(frozen=True, slots=True)
class Place:
    """In the score. Bar and beat count from 1."""

    seconds: float
    bar: int
    beat: float

    def __str__(self) -> str:
        return f"{self.bar}:{self.beat:.4g}"


def place(score: Score, at_s: float) -> Place:
    at_s = max(0.0, at_s)
    bar, beat = score.place_at(at_s)
    return Place(round(at_s, 6), bar, round(beat, 3))


@dataclass(frozen=True, slots=True)
class CoilResult:
    name: str
    asked: int
    sounded: int
    shortened: int
    quietened: int
    dropped: int
    outside: int
    """Outside the coil's range, whatever became of them."""
    folded: int
    """Of those, the ones that were to play an octave or more away."""
    bangs: int
    longest_on_time_us: float
    most_in_1s: int
    worst_duty_percent: dict[int, float]
    """By window in ms."""
    energy_j: float | None
    """Of all bangs as expected; None: the coil's tank or supply is not told."""
    most_mains_a: float | None
    """Most that the mains is reckoned with in any one second."""
    guard_refusals: int
    collisions_dropped: int


@dataclass(frozen=True, slots=True)
class Loss:
    """Notes of one channel that one limit of one coil took something from, close together."""

    coil: str
    channel: int
    effect: str
    """"dropped", "shortened" or "quietened"."""
    limit: str
    notes: int
    first: Place
    last: Place
    asked: float | None
    """The most that was asked there of the limit, and what it allows; None: not in numbers."""
    allowed: float | None
    unit: str
    worst_db: float | None
    at_once: int
    """How many of them at most were lost at one moment."""
    lowest: int
    """Their keys, transposition left out."""
    highest: int

    @property
    def bars(self) -> str:
        first, last = self.first.bar, self.last.bar
        return f"bar {first}" if first == last else f"bars {first}–{last}"


@dataclass(frozen=True, slots=True)
class ChannelResult:
    channel: int
    notes: int
    coils: tuple[str, ...]
    nowhere: int
    """Notes that no coil was asked for."""
    why: str


@dataclass(frozen=True, slots=True)
class Warning_:
    place: Place
    text: str


@dataclass(frozen=True, slots=True)
class RehearsalResult:
    score: str
    site: str
    seconds: float
    bars: int
    notes: int
    survives: bool
    """Nothing was dropped, shortened or quietened, and every note has a coil."""
    coils: tuple[CoilResult, ...]
    losses: tuple[Loss, ...]
    channels: tuple[ChannelResult, ...]
    unused_channels: tuple[int, ...]
    """Routed, and not played by the score."""
    warnings: tuple[Warning_, ...]
    bar_by_second: list[int]
    """The bar that sounds as each second begins; the last one after the score's end."""
    duty_percent: dict[str, list[float]]
    """By coil, second by second, as everything below."""
    break_rate_hz: dict[str, list[float]]
    voices: dict[str, list[int]]
    """The most that were asked at once."""
    energy_j: dict[str, list[float]]
    """As expected; of coils whose tank and supply are told."""
    mains_a: dict[str, list[float]]
    """Of coils whose mains is known: the most they can draw for those bangs."""
    mains_lines: tuple[MainsLine, ...]


def result_of(performed: Performed, score_name: str) -> RehearsalResult:
    config, score, account = performed.config, performed.score, performed.account
    seconds = max(1, math.ceil(performed.seconds))
    budget = budget_of(config, lease_s=LEASE_S, refresh_s=REFRESH_S, motion_s=MOTION_S)
    series = over_time(config, performed.pulses, seconds, budget)
    coils = tuple(_coil_result(performed, coil, series) for coil in config.coil)
    channels, unused = _channels(performed)
    survives = not any(s.dropped or s.shortened or s.quietened for s in account.stories)
    return RehearsalResult(
        score=score_name,
        site=config.site.name,
        seconds=score.duration_s,
        bars=_last_bar(score),
        notes=sum(c.notes for c in channels),
        survives=survives and not account.nowhere,
        coils=coils,
        losses=tuple(_losses(performed)),
        channels=channels,
        unused_channels=unused,
        warnings=tuple(Warning_(place(score, w.at_s), w.text) for w in score_warnings(score)),
        bar_by_second=_bars(performed, seconds),
        duty_percent=series.duty_percent,
        break_rate_hz=series.break_rate_hz,
        voices={c.name: _voices(performed, c.name, seconds) for c in config.coil},
        energy_j=series.energy_j,
        mains_a=series.mains_a,
        mains_lines=mains_lines(config, budget),
    )


def _voices(performed: Performed, name: str, seconds: int) -> list[int]:
    most, before, begun = [0] * seconds, 0, 0
    for at_s, count in (*performed.account.voices_asked[name], (math.inf, 0)):
        here_s = performed.score_s(at_s)
        last = min(seconds - 1, max(0, int(here_s))) if here_s < seconds else seconds - 1
        for second in range(begun, last + 1):
            most[second] = max(most[second], before)
        begun, before = last, count
    return most


def _bars(performed: Performed, seconds: int) -> list[int]:
    # From the pulses' time to the score's: an input's delay, which the timeline has as well.
    late_s = performed.shift_s - BEGIN_S
    last, bar_at = _last_bar(performed.score), performed.score.bar_at
    return [min(last, bar_at(max(0.0, n - late_s))) for n in range(seconds)]


def _last_bar(score: Score) -> int:
    """Not the one that begins as the score ends."""
    return score.bar_at(max(0.0, score.duration_s - 1e-3))


def _coil_result(performed: Performed, coil: Coil, series: OverTime) -> CoilResult:
    stories = [s for s in performed.account.stories if s.coil == coil.name]
    fired = performed.pulses[coil.name]
    windows = [w.window_ms for w in coil.duty_windows]
    summary = summarise(fired.start_s * 1e6, fired.on_s * 1e6, windows)
    energy_j, mains_a = series.energy_j.get(coil.name), series.mains_a.get(coil.name)
    return CoilResult(
        name=coil.name,
        asked=len(stories),
        sounded=sum(s.sounded for s in stories),
        shortened=sum(s.shortened for s in stories),
        quietened=sum(s.quietened for s in stories),
        dropped=sum(s.dropped for s in stories),
        outside=sum(s.folded or s.cut_by == OUTSIDE for s in stories),
        folded=sum(s.folded for s in stories),
        bangs=summary.pulses,
        longest_on_time_us=summary.longest_on_time_us,
        most_in_1s=summary.most_in_1s,
        worst_duty_percent=summary.worst_duty_percent,
        energy_j=None if energy_j is None else sum(energy_j),
        most_mains_a=None if mains_a is None else max(mains_a),
        guard_refusals=performed.guard_refusals[coil.name],
        collisions_dropped=performed.collisions_dropped[coil.name],
    )


def _channels(performed: Performed) -> tuple[tuple[ChannelResult, ...], tuple[int, ...]]:
    notes: Counter[int] = Counter()
    for event in performed.score.events:
        message = event.message
        if message[0] & 0xF0 == 0x90 and message[2]:
            notes[(message[0] & 0x0F) + 1] += 1
    coils: dict[int, set[str]] = defaultdict(set)
    for story in performed.account.stories:
        coils[story.channel].add(story.coil)
    nowhere: dict[int, Counter[str]] = defaultdict(Counter)
    for lost in performed.account.nowhere:
        nowhere[lost.channel][lost.why] += 1
    rows = tuple(
        ChannelResult(
            channel, count, tuple(sorted(coils[channel])), sum(nowhere[channel].values()),
            ", ".join(f"{n} × {why}" for why, n in nowhere[channel].most_common()),
        )
        for channel, count in sorted(notes.items())
    )  # fmt: skip
    routed = {c for route in performed.config.music.routes for c in route.channels}
    return rows, tuple(sorted(routed - set(notes)))


def _losses(performed: Performed) -> list[Loss]:
    kinds: dict[tuple[str, int, str, str], list[tuple[float, NoteStory]]] = defaultdict(list)
    for story in performed.account.stories:
        if story.cut_by:
            effect = "dropped" if story.dropped else "shortened"
            kinds[story.coil, story.channel, effect, story.cut_by].append((story.cut_s, story))
        if story.quietened:
            key = story.coil, story.channel, "quietened", story.quiet_by
            kinds[key].append((story.quiet_s, story))
    found: list[Loss] = []
    for (coil, channel, effect, limit), items in kinds.items():
        items.sort(key=lambda item: item[0])
        run: list[tuple[Place, NoteStory]] = []
        for at_s, story in items:
            here = place(performed.score, performed.score_s(at_s))
            if run and here.bar - run[-1][0].bar > GAP_BARS + 1:
                found.append(_loss(coil, channel, effect, limit, run))
                run = []
            run.append((here, story))
        found.append(_loss(coil, channel, effect, limit, run))
    return sorted(found, key=lambda f: (f.first.seconds, f.coil, f.channel, f.effect, f.limit))


def _loss(
    coil: str, channel: int, effect: str, limit: str, run: Sequence[tuple[Place, NoteStory]]
) -> Loss:
    worst = max(run, key=lambda item: item[1].asked)[1]
    numbered = effect != "quietened" and worst.asked > 0
    together = Counter(round(here.seconds, 3) for here, _ in run)
    return Loss(
        coil, channel, effect, limit, len(run), run[0][0], run[-1][0],
        worst.asked if numbered else None, worst.allowed if numbered else None, worst.unit,
        max(s.loss_db for _, s in run) if effect == "quietened" else None,
        max(together.values()), min(s.key for _, s in run), max(s.key for _, s in run),
    )  # fmt: skip
