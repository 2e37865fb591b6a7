"""A score through the site without wires: pulses, and the account of every note. Pure."""

from __future__ import annotations

import gc
import math
from collections.abc import Callable, Generator
from contextlib import contextmanager
from dataclasses import dataclass

from bridge.clocks import HostS
from bridge.config import Config, Input
from bridge.music.instrument import Instrument
from bridge.rehearse.account import Account, Overheard
from bridge.rehearse.direct_site import DirectSite
from bridge.rehearse.pulse_arrays import PulseArrays
from bridge.show.score_file import Score, ScoreError

LONGEST_S = 6 * 3600.0
"""A longer score is a mistake in its tempo or its division."""
TAIL_S = 3.0
"""Played on after the last event, for what fades."""
BEGIN_S = HostS(1.0)
"""The score's begin: the farthest coil fires its first note earlier."""
INPUT = "score"
_OBJECTS = 100_000
_MAX_NOTE_S: float = Input.model_fields["max_note_s"].default


@dataclass(frozen=True, slots=True)
class Performed:
    """What came of it. Times are seconds from the score's begin."""

    config: Config
    score: Score
    account: Account
    """Its times are the timeline's: `score_s` turns them into the score's."""
    pulses: dict[str, PulseArrays]
    """By coil, as fired: a coil farther from the audience than another fires earlier."""
    guard_refusals: dict[str, int]
    collisions_dropped: dict[str, int]
    shift_s: float
    seconds: float

    def score_s(self, at_s: float) -> float:
        """From the timeline to the score."""
        return at_s - self.shift_s


@contextmanager
def _seldom_collecting() -> Generator[None]:
    """Python looks for cycles of garbage after every 700 new objects, a tenth of a rehearsal's
    time; playing leaves next to none."""
    before = gc.get_threshold()
    gc.set_threshold(_OBJECTS, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


class _Playing:
    """A score on its way through a site, played as the site's first input would: its delay, its
    longest note. Raises ScoreError where it is too long."""

    def __init__(self, config: Config, score: Score, *, boards: bool) -> None:
        if score.duration_s > LONGEST_S:
            raise ScoreError(
                f"the score lasts {score.duration_s / 3600:.1f} h; at most {LONGEST_S / 3600:g} h "
                "can be rehearsed: look at its tempo and at its ticks a quarter note"
            )
        self._score = score
        self._instrument = Instrument(config)
        self.account = Account(self._instrument)
        self._name = config.input[0].name if config.input else INPUT
        source = Overheard(self._instrument, self.account.event)
        self.site = DirectSite(config, source, inputs=(self._name,), boards=boards)
        for line in self.site.lines.values():
            line.overhear = self.account.overhear
        self._longest_note_s = config.input[0].max_note_s if config.input else _MAX_NOTE_S

    @property
    def shift_s(self) -> float:
        """From the score to the timeline."""
        return self.site.delay_s(self._name) + BEGIN_S

    def play(self, progress: Callable[[float], None], enough_lost: float) -> bool:
        """Through to the last note's end; False where so much was lost on the way, and given up."""
        with _seldom_collecting():
            return self._play(progress, enough_lost)

    def _play(self, progress: Callable[[float], None], enough_lost: float) -> bool:
        site, score, account = self.site, self._score, self.account
        site.run_until(BEGIN_S)
        told_s = 0.0
        for event in score.events:
            at_s = HostS(BEGIN_S + event.position_s)
            if at_s > site.now_s:  # what comes at one instant is decided together, as a DAW does
                site.run_until(at_s)
                if account.surely_lost >= enough_lost:
                    return False
            site.midi(self._name, event.message)
            if event.position_s - told_s > 0.01 * score.duration_s:
                told_s = event.position_s
                progress(told_s / score.duration_s)
        site.run_until(HostS(BEGIN_S + score.duration_s + TAIL_S))
        last_s = HostS(site.now_s + self._longest_note_s + TAIL_S)
        while self._instrument.notes_held() and site.now_s < last_s:
            site.run_for(0.5)
        progress(1.0)
        return True


def _untold(share: float) -> None:
    """Progress that nobody wants to see."""


def perform(
    config: Config, score: Score, *, progress: Callable[[float], None] = _untold
) -> Performed:
    """Plays it as the site's first input would: its delay, its longest note. Raises ScoreError.

    `progress` is told the share that is done, now and then.
    """
    playing = _Playing(config, score, boards=True)
    playing.play(progress, math.inf)
    site = playing.site
    pulses = {coil: fired.since(BEGIN_S) for coil, fired in site.take_pulses().items()}
    return Performed(
        config, score, playing.account, pulses, site.guard_refusals, site.collisions_dropped,
        playing.shift_s, site.now_s - BEGIN_S,
    )  # fmt: skip


def lost_of(
    config: Config,
    score: Score,
    *,
    enough_lost: float = math.inf,
    progress: Callable[[float], None] = _untold,
) -> float | None:
    """How much music is lost (`Account.lost`) where it is played so, and nothing else of it: the
    governor says that, without the boards. Raises ScoreError.

    None: `enough_lost` or more; it is played no further than that takes.
    """
    playing = _Playing(config, score, boards=False)
    if not playing.play(progress, enough_lost):
        return None
    lost = playing.account.lost
    return lost if lost < enough_lost else None


@dataclass(frozen=True, slots=True)
class Warned:
    """Something odd in the score, with its place."""

    at_s: float
    text: str


SLOWEST_BPM, FASTEST_BPM = 10.0, 600.0
_MOST_NAMED = 5


def score_warnings(score: Score) -> tuple[Warned, ...]:
    """What a score says that nobody can have meant."""
    found = [
        Warned(at_s, f"a tempo of {60e6 / tempo_us:.3g} quarter notes a minute")
        for at_s, tempo_us in score.tempos_us
        if not SLOWEST_BPM <= 60e6 / tempo_us <= FASTEST_BPM
    ]
    open_since: dict[tuple[int, int], float] = {}
    for event in score.events:
        kind, channel = event.message[0] & 0xF0, event.message[0] & 0x0F
        if kind == 0x90 and event.message[2]:
            open_since.setdefault((channel, event.message[1]), event.position_s)
        elif kind in (0x80, 0x90):
            open_since.pop((channel, event.message[1]), None)
        elif kind == 0xB0 and event.message[1] in (120, 123):
            open_since = {k: v for k, v in open_since.items() if k[0] != channel}
    endless = sorted(open_since.items(), key=lambda item: (item[1], item[0]))
    for (channel, key), at_s in endless[:_MOST_NAMED]:
        found.append(Warned(at_s, f"note {key} on channel {channel + 1} has no end"))
    if len(endless) > _MOST_NAMED:
        more = len(endless) - _MOST_NAMED
        found.append(Warned(endless[_MOST_NAMED][1], f"{more} more notes have no end"))
    return tuple(sorted(found, key=lambda w: (w.at_s, w.text)))
