"""What a whole configuration cannot do though every key by itself is allowed. Pure.

It stands apart from config.py because it asks the governor's limits and the timeline, which read
configurations themselves. Every command that loads a configuration calls it.
"""

from __future__ import annotations

from bridge.coil.checks import power_problems
from bridge.config import Coil, Config
from bridge.config_errors import to_put_right
from bridge.governor.governor import Governor
from bridge.governor.limits import check_coil, shortest_on_time_us
from bridge.music.tuning import note_to_hz
from bridge.timeline import Timeline

LOUDNESS_ROOM_US = 3.0
"""On-time above breakout that the highest note must have, so that loud and soft differ."""


def config_problems(config: Config) -> list[str]:
    """Sentences with key path, value found and what is allowed; empty: it can be used."""
    problems: list[str] = []
    for index, coil in enumerate(config.coil):
        found = check_coil(coil)
        if not found and (problem := _highest_note_problem(coil, config.music.a4_hz)):
            found.append(problem)
        problems += [f'coil[{index + 1}] "{coil.name}" {problem}' for problem in found]
    return [*problems, *power_problems(config), *Timeline(config).faults]


def fitted(config: Config) -> Config:
    """The same site; a coil that gives no `notes.highest` gets the highest note it can play."""

    def fit(coil: Coil) -> Coil:
        highest = None if _gives_highest(coil) else _highest_playable(coil, config.music.a4_hz)
        if highest is None:
            return coil
        notes = coil.notes.model_copy(update={"highest": highest})
        return coil.model_copy(update={"notes": notes})

    return config.model_copy(update={"coil": tuple(map(fit, config.coil))})


def _gives_highest(coil: Coil) -> bool:
    return "highest" in coil.notes.model_fields_set


def _highest_playable(coil: Coil, a4_hz: float) -> int | None:
    """The highest note of the coil's range with room for loud and soft; None: there is none."""
    governor = Governor(coil, link_jitter_s=0.0)
    needed_us = coil.min_on_time_us + LOUDNESS_ROOM_US
    notes = range(coil.notes.highest, coil.notes.lowest - 1, -1)
    return next(
        (n for n in notes if governor.full_scale_on_time_us(note_to_hz(n, a4_hz)) >= needed_us),
        None,
    )


def _highest_note_problem(coil: Coil, a4_hz: float) -> str:
    """A note in the coil's range must be heard, soft and loud: else it would fall silent instead
    of being folded, dropped or reported as the range says."""
    highest = _highest_playable(coil, a4_hz)
    if highest == coil.notes.highest or (highest is not None and not _gives_highest(coil)):
        return ""
    allowed = "no note of the range is possible" if highest is None else f"at most {highest}"
    return (
        f"notes.highest: {coil.notes.highest} ({note_to_hz(coil.notes.highest, a4_hz):.0f} Hz) is "
        f"more than the break rate, duty windows, off-time or on_time_curve leave room for above "
        f"breakout; {allowed}"
    )


def quiet_notes(config: Config) -> list[str]:
    """Notes inside a coil's range that stay silent, or sound loud and soft alike: a warning each.

    The highest notes are refused or taken out of the range (`config_problems`, `fitted`); a curve
    that falls toward low rates may silence others.
    """
    lines: list[str] = []
    for index, coil in enumerate(fitted(config).coil):
        governor = Governor(coil, link_jitter_s=0.0)
        silent: list[int] = []
        alike: list[int] = []
        for note in range(coil.notes.lowest, coil.notes.highest + 1):
            full_us = governor.full_scale_on_time_us(note_to_hz(note, config.music.a4_hz))
            if full_us < shortest_on_time_us(coil):
                silent.append(note)
            elif full_us < coil.min_on_time_us + LOUDNESS_ROOM_US:
                alike.append(note)
        for notes, what in ((silent, "stay silent"), (alike, "sound loud and soft alike")):
            if notes:
                low_hz, high_hz = (note_to_hz(n, config.music.a4_hz) for n in (notes[0], notes[-1]))
                lines.append(
                    f'coil[{index + 1}] "{coil.name}": {len(notes)} notes of its range, from '
                    f"{notes[0]} to {notes[-1]} ({low_hz:.0f} to {high_hz:.0f} Hz), {what}: "
                    "on_time_curve or what tank and supply allow leaves no room there above "
                    f"min_on_time_us = {coil.min_on_time_us:g}; raise the curve, or narrow `notes`"
                )
    return lines


def check_config(config: Config, source: str) -> None:
    """Raises ConfigError, which names `source`, when the configuration cannot be used."""
    if problems := config_problems(config):
        raise to_put_right(source, problems)
