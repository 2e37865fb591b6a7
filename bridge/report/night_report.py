"""What `coilwarden journal report` says of a night: chapters, and the same as plain values."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from bridge.config import Config
from bridge.interlock import NOT_SAFE
from bridge.journal.advice import CAUTION, advice
from bridge.journal.lines import note_name
from bridge.journal.night import Night
from bridge.journal.story import BEFORE_TRIP_S, Story
from bridge.pulse_summary import PulseSummary, summarise
from bridge.report.figures import night_figure
from bridge.report.page import Chapter, Note, Part, Picture, Table, Terms
from bridge.report.show import number
from bridge.report.site_report import SiteReport, site_report
from bridge.site.played_set import PlayedSet

FROM_FRAMES = (
    "Pulses are worked out of the frames that were sent, through the simulated controller's own "
    "scheduler and by the clock as it was known; frames lost on the way count as arrived. What the "
    "board itself counted stands beside them. Energy and mains are the governor's worst case."
)


def _summaries(config: Config, story: Story) -> dict[str, PulseSummary]:
    return {
        c.name: summarise(
            story.coils[c.name].start_us, story.coils[c.name].on_time_us,
            [w.window_ms for w in c.duty_windows],
        )
        for c in config.coil
    }  # fmt: skip


def _the_night(night: Night, story: Story, ended: str) -> Chapter:
    about = night.about
    day = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(night.began_day_s))
    parts: list[Part] = [
        Terms(
            [
                ("began", day),
                ("recorded", f"{night.duration_s:.1f} s, {night.events} events"),
                ("armed", f"{story.armed_s:.1f} s"),
                ("software", f"{about.get('version')}, code {about.get('code_digest', '')[:16]}, "
                 f"Python {about.get('python')}, {about.get('machine')}"),
                ("configuration", f"digest {about.get('config_digest', '')[:16]}"),
            ]
        )
    ]  # fmt: skip
    if not night.from_the_start:
        parts.append(
            Note("the run's first files are gone (journal.max_mb): this is its later part")
        )
    parts += [Note(gap) for gap in night.gaps]
    if story.missing:
        parts.append(Note(f"{story.missing} things are missing: the disk was too slow or full"))
    if ended:
        parts.append(Note(ended))
    return "The night", parts


def _played(story: Story) -> Chapter:
    rows = [
        (f"{name}, channel {channel}", str(p.messages), str(p.notes),
         f"{note_name(p.lowest)} to {note_name(p.highest)}" if p.notes else "–")
        for (name, channel), p in sorted(story.played.items())
    ]  # fmt: skip
    if not rows:
        return "What was played", ["no MIDI came"]
    return "What was played", [Table(("input", "messages", "notes", "range"), rows)]


def _bangs(config: Config, story: Story, summaries: dict[str, PulseSummary]) -> Chapter:
    counts: list[tuple[str, ...]] = []
    bounds: list[tuple[str, ...]] = []
    duties: list[tuple[str, ...]] = []
    for coil in config.coil:
        night, s = story.coils[coil.name], summaries[coil.name]
        board = story.counted.get(coil.name)
        of_board = (
            ("–",) * 3
            if board is None
            else (str(board.pulses), str(board.guard_refusals), str(board.collisions_dropped))
        )
        counts.append((coil.name, str(s.pulses), *of_board))
        bounds.append(
            (coil.name, number(night.sounding_s),
             f"{s.longest_on_time_us:.1f} of {coil.max_on_time_us:g}",
             f"{s.most_in_1s} of {coil.max_break_rate_hz}", number(night.energy_j, 0))
        )  # fmt: skip
        duties += [
            (coil.name, str(w.window_ms), f"{s.worst_duty_percent[w.window_ms]:.2f}",
             f"{w.max_percent:g}")
            for w in coil.duty_windows
        ]  # fmt: skip
    return "Bangs", [
        FROM_FRAMES,
        Table(("coil", "by frames", "by board", "guard refused", "collisions"), counts),
        Table(("coil", "sounding s", "longest µs", "most in 1 s", "J at most"), bounds),
        Table(("coil", "window ms", "worst duty %", "limit %"), duties),
    ]


def _by_second(values: Mapping[str, Mapping[int, float]], seconds: int) -> dict[str, list[float]]:
    """Of the coils of which anything is known."""
    return {n: [by.get(s, 0.0) for s in range(seconds)] for n, by in values.items() if by}


def _energy(config: Config, story: Story, seconds: int) -> Chapter:
    mains = config.site.mains
    watts = _by_second(story.energy_j, seconds)
    amperes = _by_second(story.mains_a, seconds)
    if not watts:
        return "Energy and mains over time", [
            Note("not known: it needs each coil's tank and supply (and [site.mains] for mains)")
        ]
    parts: list[Part] = [
        Picture(
            night_figure(watts, None, "energy a second at most, W"),
            "energy of each coil's bangs, second by second, one coil on another",
        )
    ]
    if unknown := [c.name for c in config.coil if c.tank is None or c.supply is None]:
        parts.append(Note(f"{', '.join(unknown)}: not in it, without a tank and a supply"))
    if amperes and mains is not None:
        own_a = mains.allowed_a - mains.other_load_a
        total = [sum(of_second) for of_second in zip(*amperes.values(), strict=True)]
        over = max(1, round(mains.averaging_s))
        mean_a = max(sum(total[at : at + over]) for at in range(len(total))) / over
        parts += [
            f"Most mains: {max(total):.1f} A at most in a second, {mean_a:.1f} A mean over "
            f"{over} s; the site leaves the coils {own_a:.1f} A mean over {mains.averaging_s:g} s.",
            Picture(
                night_figure(amperes, own_a, "mains at most, A"),
                "mains current of each coil, second by second, and what the site leaves to them",
            ),
        ]
    else:
        parts.append(Note("mains: not known without [site.mains]"))
    return "Energy and mains over time", parts


def _limits(story: Story) -> Chapter:
    rows = [
        (coil, f"{limit.value}{f' {window} ms' if window else ''}", effect.value, str(bit.times),
         number(bit.seconds), number(bit.worst_asked), number(bit.worst_allowed))
        for (coil, limit, effect, window), bit in sorted(
            story.limits.items(), key=lambda item: (item[0][0], -item[1].seconds)
        )
    ]  # fmt: skip
    if not rows:
        return "Limits that bit", ["none"]
    headings = ("coil", "limit", "effect", "times", "seconds", "worst asked", "allowed then")
    return "Limits that bit", [Table(headings, rows)]


def _trips(night: Night, story: Story) -> Chapter:
    parts: list[Part] = []
    for trip in story.trips:
        parts.append(Note(f"{night.clock(trip.at_s)} {trip.line}"))
        rows = [
            (text, night.clock(at_s), f"{at_s - trip.at_s:+.3f} s") for at_s, text in trip.before
        ]
        if trip.is_cut:
            until_s = trip.at_s - night.began_s
            parts.append(
                f"The last {len(rows)} things; all of it: coilwarden journal show "
                f"--from {max(0.0, until_s - BEFORE_TRIP_S):.0f} --to {until_s:.0f}"
            )
        parts.append(Table(("what", "time", "before"), rows))
    return "Trips, and what came before", parts or ["none"]


def _permission(night: Night, story: Story) -> Chapter:
    rows = [(night.clock(s), line) for s, line in sorted([*story.changes, *story.refused])]
    return "Permission", [Terms(rows)] if rows else ["nothing changed"]


def _links(story: Story) -> Chapter:
    rows = [
        (name, str(k.bad_frames), str(k.line_errors), str(k.line_errors_in_bangs),
         str(k.late_frames), str(k.restarts), f"{number(k.least_ppm)} to {number(k.most_ppm)}")
        for name, k in story.links.items()
    ]  # fmt: skip
    headings = ("controller", "bad frames", "line errors", "of them in bangs", "late frames",
                "restarts", "clock ppm")  # fmt: skip
    return "Links", [Table(headings, rows)]


def _dose(found: SiteReport) -> Chapter:
    if not found.places:
        return "Noise dose", [Note("no [site.audience] given")]
    rows = [
        (p.place, number(p.distance_m), number(p.loudest_db), number(p.dose.equivalent_db),
         number(p.dose.niosh_percent), number(p.dose.osha_percent))
        for p in found.places
    ]  # fmt: skip
    headings = ("place", "distance m", "loudest dB(A)", "equivalent dB(A)", "NIOSH dose %",
                "OSHA dose %")  # fmt: skip
    return "Noise dose", [
        f"Level {found.level_source}; of {found.dose_of}. Guidance: a dose is measured with a "
        "dosimeter at the ear.",
        Table(headings, rows),
    ]


def night_chapters(
    night: Night, config: Config, story: Story, ended: str
) -> tuple[list[Chapter], dict[str, Any]]:
    """The chapters, and the same as values for JSON. `ended`: why it was read no further, or ""."""
    seconds = max(1, int(night.duration_s) + 1)
    summaries = _summaries(config, story)
    dose = site_report(config, PlayedSet(seconds, story.on_times_us))
    suggestions = advice(config, story)
    chapters: list[Chapter] = [
        ("How to read this", [Note(f"{dose.guidance} {NOT_SAFE}")]),
        _the_night(night, story, ended),
        _played(story),
        _bangs(config, story, summaries),
        _energy(config, story, seconds),
        _limits(story),
        _trips(night, story),
        _permission(night, story),
        _links(story),
        _dose(dose),
        ("Suggested changes", [*(suggestions or ["none"]), Note(CAUTION)]),
    ]
    data: dict[str, Any] = {
        "run": night.about.get("run"),
        "site": night.about.get("site"),
        "began": night.about.get("began"),
        "seconds": night.duration_s,
        "armed_s": story.armed_s,
        "events": night.events,
        "missing": story.missing,
        "read_to_the_end": not ended,
        "version": night.about.get("version"),
        "code_digest": night.about.get("code_digest"),
        "config_digest": night.about.get("config_digest"),
        "played": [
            {"input": n, "channel": c, **asdict(p)} for (n, c), p in sorted(story.played.items())
        ],
        "coils": {
            name: {
                **asdict(summaries[name]),
                "sounding_s": coil.sounding_s,
                "energy_j": coil.energy_j,
                "counted_by_board": asdict(story.counted[name]) if name in story.counted else None,
                "energy_j_by_second": {str(k): v for k, v in story.energy_j[name].items()},
                "mains_a_by_second": {str(k): v for k, v in story.mains_a[name].items()},
            }
            for name, coil in story.coils.items()
        },
        "limits": [
            {"coil": c, "limit": li.value, "effect": e.value, "window_ms": w, **asdict(bit)}
            for (c, li, e, w), bit in story.limits.items()
        ],
        "trips": [
            {"time": night.clock(t.at_s), "what": t.line,
             "before": [{"seconds": s - t.at_s, "what": text} for s, text in t.before]}
            for t in story.trips
        ],
        "links": {name: asdict(link) for name, link in story.links.items()},
        "noise_dose": [asdict(p) for p in dose.places],
        "suggestions": suggestions,
    }  # fmt: skip
    return chapters, data
