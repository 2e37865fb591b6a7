"""A rehearsal's report as chapters, for the terminal and for the page. Pure but for figures."""

from __future__ import annotations

import json
from collections.abc import Sequence

from bridge.config import Config, Route
from bridge.interlock import NOT_SAFE
from bridge.rehearse.advice import advice
from bridge.rehearse.over_time import OverTime, stretches
from bridge.rehearse.result import Place, RehearsalResult
from bridge.report.page import Chapter, Lines, Note, Part, Picture, Table, Terms
from bridge.report.show import number

MOST_SENTENCES = 40
_EFFECTS = {"dropped": "dropped", "shortened": "shortened", "quietened": "quieter"}

Suggestion = tuple[tuple[Route, ...], float, float]
"""Routes, and how many notes are lost now and with them (a shortened one ½, a quieter one ¼)."""


def verdict(result: RehearsalResult) -> str:
    if result.survives:
        return "All the music survives."
    lost = sum(c.dropped for c in result.coils)
    short, quiet = (sum(getattr(c, k) for c in result.coils) for k in ("shortened", "quietened"))
    nowhere = sum(c.nowhere for c in result.channels)
    text = f"Some music is lost: {lost} notes dropped, {short} shortened, {quiet} quieter"
    return text + (f", {nowhere} without a coil." if nowhere else ".")


def _duties(result: RehearsalResult, config: Config, name: str) -> str:
    limits = {w.window_ms: w.max_percent for c in config.coil if c.name == name
              for w in c.duty_windows}  # fmt: skip
    found = next(c for c in result.coils if c.name == name).worst_duty_percent
    return ", ".join(f"{d:.2f} of {limits[w]:g} in {w} ms" for w, d in found.items())


def _coils(result: RehearsalResult, config: Config) -> Chapter:
    notes = Table(
        ("coil", "notes asked", "sounded", "shortened", "quieter", "dropped", "out of range",
         "other octave"),
        [
            (c.name, str(c.asked), str(c.sounded), str(c.shortened), str(c.quietened),
             str(c.dropped), str(c.outside), str(c.folded))
            for c in result.coils
        ],
    )  # fmt: skip
    bangs = Table(
        ("coil", "bangs", "most in 1 s", "longest µs", "worst duty %", "energy kJ", "mains A",
         "collisions"),
        [
            (c.name, str(c.bangs), str(c.most_in_1s), number(c.longest_on_time_us),
             _duties(result, config, c.name),
             number(None if c.energy_j is None else c.energy_j / 1000, 2),
             number(c.most_mains_a), str(c.collisions_dropped))
            for c in result.coils
        ],
    )  # fmt: skip
    parts: list[Part] = [notes, bangs]
    untold = [c.name for c in result.coils if c.energy_j is None or c.most_mains_a is None]
    if untold:
        parts.append(
            f"Energy or mains of {' and '.join(untold)}: unknown, the site file tells no "
            "[coil.tank], [coil.supply] or [site.mains]."
        )
    return "Coils", parts


def _channels(result: RehearsalResult) -> Chapter:
    rows = [
        (str(c.channel), str(c.notes), ", ".join(c.coils) or "–", str(c.nowhere))
        for c in result.channels
    ]
    return "Channels", [Table(("channel", "notes", "coils", "notes without a coil"), rows)]


def _over_time(result: RehearsalResult, figures: Sequence[tuple[str, str]]) -> Chapter:
    series = OverTime(result.break_rate_hz, result.duty_percent, result.energy_j, result.mains_a)
    rows: list[tuple[str, ...]] = []
    for one in stretches(series, result.bar_by_second, result.mains_lines):
        bars = str(one.first_bar)
        if one.last_bar > one.first_bar:
            bars += f"–{one.last_bar}"
        coils = [
            f"{rate:.0f} · {one.duty_percent[name]:.2f}" for name, rate in one.break_rate_hz.items()
        ]
        kilojoules = None if one.energy_j is None else one.energy_j / 1000
        rows.append((bars, str(one.begin_s), *coils, number(kilojoules, 2), number(one.mains_a)))
    head = ("bars", "from s", *(f"{name}: bangs in 1 s · duty %" for name in result.voices),
            "energy kJ", "mains A")  # fmt: skip
    return "Over time", [
        *(Picture(svg, words) for svg, words in figures),
        "Of each stretch the fullest second; of energy, all of it.",
        Table(head, rows),
    ]


def _losses(result: RehearsalResult, config: Config) -> Chapter:
    parts: list[Part] = []
    said = advice(config, result)
    if result.losses:
        rows = [
            (f"{loss.channel}", loss.coil, _EFFECTS[loss.effect], loss.limit, str(loss.notes),
             _at(loss.first), _at(loss.last))
            for loss in result.losses[:MOST_SENTENCES]
        ]  # fmt: skip
        head = ("channel", "coil", "what", "limit", "notes", "from bar:beat", "to bar:beat")
        parts.append(Table(head, rows))
    more = len(said) - MOST_SENTENCES
    if more > 0:
        said[MOST_SENTENCES:] = [f"and {more} more; --json says them all"]
    parts += said
    return "What to change", parts or ["Nothing."]


def _at(place: Place) -> str:
    return f"{place} ({place.seconds:.1f} s)"


def routing_text(routes: Sequence[Route]) -> list[str]:
    """As lines of the site file."""
    lines: list[str] = []
    for route in routes:
        coils = ", ".join(json.dumps(name, ensure_ascii=False) for name in route.coils)
        lines += ["[[music.routes]]", f"channels = {list(route.channels)}", f"coils = [{coils}]",
                  f'deal = "{route.deal}"', ""]  # fmt: skip
    return lines[:-1]


def chapters(
    result: RehearsalResult,
    config: Config,
    suggestion: Suggestion | None,
    figures: Sequence[tuple[str, str]] = (),
) -> list[Chapter]:
    """`figures`: (SVG, what it shows)."""
    parts: list[Part] = [
        Terms(
            (
                ("Score", f"{result.score}: {result.seconds:.1f} s, {result.bars} bars, "
                          f"{result.notes} notes"),
                ("Site", result.site),
            )
        ),
        verdict(result) if result.survives else Note(verdict(result)),
    ]  # fmt: skip
    parts += [Note(f"bar {w.place} ({w.place.seconds:.1f} s): {w.text}") for w in result.warnings]
    found: list[Chapter] = [("Rehearsal", parts), _coils(result, config), _channels(result)]
    found.append(_over_time(result, figures))
    found.append(_losses(result, config))
    if suggestion is not None:
        routes, now, then = suggestion
        found.append(
            (
                "Suggested routing",
                [
                    f"Rehearsed with it, {then:g} notes are lost instead of {now:g} (a shortened "
                    "note counts ½, a quieter one ¼). In place of the site file's routes:",
                    Lines(routing_text(routes)),
                ],
            )
        )
    found.append(
        (
            "What this is",
            [
                "Jitter, noise and loss on the lines are left out; the limits keep room for them. "
                f"Nothing fired. {NOT_SAFE}"
            ],
        )
    )
    return found
