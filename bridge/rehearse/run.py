"""A score through the site without wires: pulses, and the account of every note. Pure."""

from __future__ import annotations

from collections.abc import Callable
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


def perform(
    config: Config,
    score: Score,
    *,
    progress: Callable[[float], None] = lambda share: None,
) -> Performed:
    """Plays it as the site's first input would: its delay, its longest note. Raises ScoreError.

    `progress` is told the share that is done, now and then.
    """
    if score.duration_s > LONGEST_S:
        raise ScoreError(
            f"the score lasts {score.duration_s / 3600:.1f} h; at most {LONGEST_S / 3600:g} h can "
            "be rehearsed: look at its tempo and at its ticks a quarter note"
        )
    instrument = Instrument(config)
    account = Account(instrument)
    name = config.input[0].name if config.input else INPUT
    site = DirectSite(config, Overheard(instrument, account.event), inputs=(name,))
    for line in site.lines.values():
        line.overhear = account.overhear
    longest_note_s = config.input[0].max_note_s if config.input else _MAX_NOTE_S
    site.run_until(BEGIN_S)
    told_s = 0.0
    for event in score.events:
        at_s = HostS(BEGIN_S + event.position_s)
        if at_s > site.now_s:  # what comes at one instant is decided together, as a DAW sends it
            site.run_until(at_s)
        site.midi(name, event.message)
        if event.position_s - told_s > 0.01 * score.duration_s:
            told_s = event.position_s
            progress(told_s / score.duration_s)
    site.run_until(HostS(BEGIN_S + score.duration_s + TAIL_S))
    last_s = HostS(site.now_s + longest_note_s + TAIL_S)
    while instrument.notes_held() and site.now_s < last_s:
        site.run_for(0.5)
    progress(1.0)
    pulses = {coil: fired.since(BEGIN_S) for coil, fired in site.take_pulses().items()}
    return Performed(
        config, score, account, pulses, site.guard_refusals, site.collisions_dropped,
        site.delay_s(name) + BEGIN_S, site.now_s - BEGIN_S,
    )  # fmt: skip


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
