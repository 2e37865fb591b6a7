"""`coilwarden site`: distances, delays, mains, levels and cautions of a whole site."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from bridge.config import Config
from bridge.mains.breaker import earliest, latest
from bridge.mains.inrush import Inrush
from bridge.mains.supply import neutral_share
from bridge.report.figures import breaker_figure
from bridge.report.page import Chapter, Note, Part, Picture, Table, Terms
from bridge.report.show import number, show
from bridge.report.site_report import SiteReport, site_report
from bridge.site.played_set import read_set
from bridge.site.sound import PEAK_LIMIT_DB


def _distances(report: SiteReport) -> Chapter:
    rows = [
        (z.coil, number(z.arc_m), z.source, number(z.keep_out_m),
         number(z.distance_to_audience_m), number(z.acoustic_delay_ms),
         number(z.fires_earlier_ms))
        for z in report.zones
    ]  # fmt: skip
    return "Distances", [
        Table(
            ("coil", "arc m", "by", "keep-out m", "audience m", "sound takes ms",
             "fires earlier ms"),
            rows,
        ),
        "The keep-out distance does not shrink with quiet or slow music. Sound in dry air "
        f"(handbook formula): {report.speed_of_sound_m_s:.1f} m/s at the site's temperature.",
    ]  # fmt: skip


_SYSTEMS = {"single": "Single-phase", "split": "Split-phase", "three": "Three-phase"}


def _at_switch_on(found: Inrush | None) -> str:
    if found is None:
        return "not known"
    match found.trips_after_s:
        case None:
            return "holds"
        case 0.0:
            return "may trip at once"
        case seconds:
            return f"may trip after {seconds:.1f} s"


def _mains(config: Config, report: SiteReport) -> Chapter:
    mains = config.site.mains
    if mains is None:
        return "Mains", [Note("no [site.mains] given")]
    parts: list[Part] = [
        f"{_SYSTEMS[mains.system]}, {mains.voltage_v:g} V; every current is that of one line. "
        f"Breaker {mains.breaker_a:g} A; continuous load at most {mains.continuous_percent:g} % of "
        f"it for 3 h and more (NEC 210.20(A), 215.3): {number(report.continuous_a)} A. Budget "
        f"{number(report.mains_budget_a)} A mean over any {mains.averaging_s:g} s, other loads "
        f"({mains.other_load_a:g} A) included; the governor holds the coils to "
        f"{number(report.mains_steady_a)} A for ever and shrinks all of them together."
    ]
    if report.coils_on_mains:
        parts.append(
            Table(
                ("coil", "lines", "longest bang J", "such bangs a second for the budget",
                 "by its own limits alone A", "at switch-on A", "breaker then"),
                [
                    (r.coil, " ".join(map(str, r.lines)), number(r.longest_bang_j),
                     number(r.bangs_a_second, 0), number(r.most_a),
                     number(None if r.inrush is None else r.inrush.first_a),
                     _at_switch_on(r.inrush))
                    for r in report.coils_on_mains
                ],
            )
        )  # fmt: skip
        parts.append(
            "At switch-on: RMS through supply.precharge_ohm into an empty bus, each coil by itself "
            "and the earliest breaker its standard allows; switch them on one after another."
        )
    against_neutral = {r.lines[0] for r in report.coils_on_mains if len(r.lines) == 1}
    if mains.system != "single" and against_neutral:
        neutral_a = (report.mains_budget_a or 0.0) * neutral_share(
            mains.system, len(against_neutral)
        )
        parts.append(
            Note(
                f"Coils on one line load the neutral as well: up to {neutral_a:.1f} A at the whole "
                "budget (rectifiers' pulses do not cancel), and no breaker of a line sees it."
            )
        )
    parts.append(
        Table(
            ("current A", "times the rating", "trips at the earliest s", "at the latest s"),
            [
                (number(b.current_a), f"{b.multiple:g}", number(b.earliest_s),
                 number(b.latest_s))
                for b in report.breaker
            ],
        )
    )  # fmt: skip
    early = earliest(mains.breaker, mains.breaker_a, mains.curve)
    late = latest(mains.breaker, mains.breaker_a, mains.curve)
    parts.append(
        Picture(
            breaker_figure(early, late, mains.breaker_a),
            "when a breaker trips: the earliest and the latest its standard allows, from cold",
        )
    )
    standard = "IEC 60898-1"
    if mains.breaker == "ul489":
        standard = "UL 489 (from memory; its magnetic part reckoned as the IEC's B)"
    parts.append(f"A thermal model of one time constant inside the bands of {standard}.")
    return "Mains", parts


def _sound(report: SiteReport) -> Chapter:
    if not report.places:
        return "Sound", [Note("no [site.audience] given")]
    return "Sound", [
        f"Level {report.level_source}; inverse-square law in the free field, walls make it louder. "
        f"Dose of {report.dose_of}.",
        Table(
            ("place", "distance m", "loudest dB(A)", "equivalent dB(A)", "NIOSH dose %",
             "OSHA dose %"),
            [
                (p.place, number(p.distance_m), number(p.loudest_db),
                 number(p.dose.equivalent_db), number(p.dose.niosh_percent),
                 number(p.dose.osha_percent))
                for p in report.places
            ],
        ),
        "NIOSH 98-126 (85 dB, 3 dB); OSHA 29 CFR 1910.95 table G-16 (90 dB, 5 dB), from 80 dB on; "
        "100 % is a whole day's allowance, rehearsal and journey home included. Impulse peaks: at "
        f"most {PEAK_LIMIT_DB:.0f} dB.",
    ]  # fmt: skip


def report(config: Config, *, played: Path | None, as_json: bool, html: Path | None) -> int:
    """Raises SetError, OSError."""
    record = None if played is None else read_set(played, {c.name for c in config.coil})
    found = site_report(config, record)
    chapters: list[Chapter] = [
        ("How to read this", [Note(found.guidance)]),
        _distances(found),
        _mains(config, found),
        _sound(found),
        ("Cautions", [Terms(found.cautions)]),
        ("Not protected", [Note(line) for line in found.unprotected] or ["nothing was left out"]),
    ]
    show(f"{config.site.name}: the site", chapters, asdict(found), as_json=as_json, html=html)
    return 0
