"""`coilwarden rehearse`: a score through site and governor, and what becomes of it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Generator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from bridge.config import Config
from bridge.pulse_file import write_pulses
from bridge.rehearse.account import LOUDNESS_STEP_DB
from bridge.rehearse.advice import advice
from bridge.rehearse.chapters import Suggestion, chapters, verdict
from bridge.rehearse.result import RehearsalResult, result_of
from bridge.rehearse.routing import Search, same_for, with_routes
from bridge.rehearse.run import BEGIN_S, Performed, lost_of, perform
from bridge.report.show import show
from bridge.show.score_file import Score, read_score
from bridge.sound.wav import write_wav
from bridge.timeline import acoustic_offsets_s

CANDIDATES = 3
"""So many routings of the search are rehearsed: what loses least is not what was reckoned so."""
LEAST_GAIN = 0.5
"""A routing that saves less than this many notes is not worth a word."""
_LEAST_STEP = 0.25
"""Losses are counted in quarters of a note."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the command line gave."""

    score: Path
    as_json: bool
    html: Path | None
    pulses: Path | None
    wav: Path | None
    backing: Path | None
    suggest: bool


class OutputError(Exception):
    """Something that was to be written cannot be; the text says which and why."""


@contextmanager
def _bar() -> Generator[Callable[[str], Callable[[float], None]]]:
    """A progress bar on a terminal; elsewhere nothing. Gives: a step's name → its progress."""
    if not sys.stderr.isatty():
        yield lambda name: lambda share: None
        return
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import Progress  # noqa: PLC0415

    with Progress(console=Console(stderr=True), transient=True) as progress:

        def step(name: str) -> Callable[[float], None]:
            task = progress.add_task(name, total=1.0)
            return lambda share: progress.update(task, completed=share)

        yield step


def suggested(
    config: Config,
    score: Score,
    performed: Performed,
    step: Callable[[str], Callable[[float], None]],
) -> Suggestion | None:
    """Of the best routings of the search that one which loses least when rehearsed; None where
    none loses less than what is there."""
    if len(config.coil) < 2:
        return None
    now = performed.account.lost
    search = Search(config, score)
    if now < LEAST_GAIN or not search.channels:
        return None
    best: Suggestion | None = None
    looked = step("looking for a better routing")
    for number, found in enumerate(search.best(search.as_now(), looked, most=CANDIDATES), start=1):
        routes = search.routes(found)
        changed = with_routes(config, routes)
        if same_for(search.channels, config, changed):
            continue
        # One that cannot become the best any more is given up as soon as that is certain.
        enough = now - LEAST_GAIN + _LEAST_STEP if best is None else best[2]
        name = f"rehearsing routing {number} of {CANDIDATES}"
        then = lost_of(changed, score, enough_lost=enough, progress=step(name))
        if then is not None:
            best = routes, now, then
    return best


def _figures(result: RehearsalResult) -> list[tuple[str, str]]:
    from bridge.report.figures import night_figure  # noqa: PLC0415  (matplotlib)

    found = [
        (night_figure(result.break_rate_hz, None, "bangs a second"),
         "Break rate second by second, the coils one on another."),
        (night_figure(result.duty_percent, None, "duty, %"),
         "On-time in each second, the coils one on another."),
    ]  # fmt: skip
    if result.energy_j:
        found.append(
            (night_figure(result.energy_j, None, "energy a second, W"),
             "Energy of the bangs in each second, with the usual arc, the coils one on another.")
        )  # fmt: skip
    for line in result.mains_lines:
        which = f"line {line.number}" if len(result.mains_lines) > 1 else "the mains"
        amperes = {name: result.mains_a[name] for name in line.coils}
        found.append(
            (night_figure(amperes, line.budget_a, f"{which}, A"),
             f"Most that {which} may be asked for in each second, the coils one on another.")
        )  # fmt: skip
    return found


def _heard_late_s(performed: Performed) -> dict[str, float]:
    """How much later than it fires each coil is heard, on the time of the score's sound.

    Its sound is under way longer than the loudspeakers': on a site without a fixed delay, where no
    coil fires earlier for it, that is heard. A fixed delay is not: the DAW delays its tracks too.
    """
    delay_s = performed.shift_s - BEGIN_S
    return {
        name: -offset_s - delay_s for name, offset_s in acoustic_offsets_s(performed.config).items()
    }


def run(config: Config, wanted: Wanted) -> int:
    """The command: 0 all the music survives, 1 some is lost. Raises ScoreError, SoundError,
    OutputError."""
    score = read_score(wanted.score)
    with _bar() as step:
        performed = perform(config, score, progress=step("rehearsing"))
        result = result_of(performed, wanted.score.name)
        suggestion = suggested(config, score, performed, step) if wanted.suggest else None
        if wanted.wav is not None:
            write_wav(
                wanted.wav,
                config.coil,
                performed.pulses,
                performed.seconds,
                backing=wanted.backing,
                delays_s=_heard_late_s(performed),
                progress=step("writing sound"),
            )
    data = asdict(result) | {
        "quieter_from_db": LOUDNESS_STEP_DB,
        "verdict": verdict(result),
        "advice": advice(config, result),
        "suggested_routing": None
        if suggestion is None
        else {
            "routes": [r.model_dump(include={"channels", "coils", "deal"}) for r in suggestion[0]],
            "lost_now": suggestion[1],
            "lost_then": suggestion[2],
        },
    }
    try:
        if wanted.pulses is not None:
            write_pulses(performed.pulses, wanted.pulses, zero_s=0.0)
        figures = _figures(result) if wanted.html is not None else ()
        parts = chapters(result, config, suggestion, figures)
        show(f"Rehearsal: {result.score}", parts, data, as_json=wanted.as_json, html=wanted.html)
    except OSError as error:
        where = error.filename or wanted.html or wanted.pulses
        raise OutputError(f"{where}: cannot be written: {error.strerror or error}") from error
    return 0 if result.survives else 1
