"""`coilwarden coil`: what a coil's tank and supply can take, or what its readings say of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from bridge.coil.fit import Fit, fit, read_csv
from bridge.coil.fit_limits import limits_of_fit
from bridge.coil.model import CoilModel, model_of
from bridge.coil.tank import Bridge, fundamental_v
from bridge.config import Coil, Config
from bridge.report.coil_report import CoilReport, coil_report
from bridge.report.figures import coil_figure, fit_figure
from bridge.report.page import Chapter, Note, Part, Picture, Table
from bridge.report.show import number, show
from bridge.site.cautions import GUIDANCE

_FORMULAS = (
    "Current: (V₁/R)·(1 − e^(−R·t/2L)), V₁ = 4/π of the bus (half of it for a half bridge): "
    "standard RLC theory. Worst case: an energy balance over every state of the secondary, with "
    "the inductance it has when struck, mains 10 % high, half a cycle more than asked, a tenth of "
    "the current left of the bang before. Heating counts the ring-down both into the bus through "
    "the bridge's diodes and, where tank.ring_down_us is told, as long as it was seen to ring; "
    "switching loss is an estimate from the energy told, at the wave's peak. Energy: ½·V₁·∫I dt. "
    "Arc: 1.7·√W inches (common practice, no source)."
)


def _coil_chapter(coil: Coil, report: CoilReport) -> Chapter:
    parts: list[Part] = []
    if report.drive_v is not None:
        parts.append(
            f"L {number(report.inductance_uh, 2)} µH, C {number(report.capacitance_nf)} nF, "
            f"{number(report.resonant_frequency_khz)} kHz, Z₀ {number(report.impedance_ohm, 2)} Ω; "
            f"V₁ {number(report.drive_v, 0)} V."
        )
        cycles = (
            f"{report.cycles_to_limit:.1f} cycles with the usual arc"
            if report.cycles_to_limit is not None
            else "never reached with the usual arc"
        )
        parts.append(
            f"Longest single bang: {number(report.longest_bang_us)} µs, by "
            f"{report.longest_bang_reason}. Current allowed: {number(report.current_allowed_a, 0)} "
            f"A ({cycles}). Configured: {report.configured_us:g} µs."
        )
        parts.append(
            Table(
                ("on-time µs", "expected A", "no arc A", "worst A", "worst tank kV",
                 "expected J", "worst J", "droop %", "recharge ms"),
                [
                    (number(b.on_time_us), number(b.expected_a, 0), number(b.unloaded_a, 0),
                     number(b.worst_a, 0), number(b.worst_tank_v / 1000), number(b.expected_j),
                     number(b.worst_j), number(b.droop_percent, 2), number(b.recharge_ms, 2))
                    for b in report.bangs
                ],
            )
        )  # fmt: skip
        parts.append(
            Table(
                ("break rate Hz", "coil and supply µs", "bounded by", "governor µs", "mean kW",
                 "arc m"),
                [
                    (f"{r.break_rate_hz:g}", number(r.lawful_us), r.reason,
                     number(r.governed_us) if r.governed_us else "silent",
                     number(r.mean_w / 1000, 2), number(r.arc_m))
                    for r in report.rates
                ],
            )
        )  # fmt: skip
        parts.append(
            Table(
                (f"at {report.configured_us:g} µs, coupled model", "peak A", "when", "tank kV",
                 "left, shorted %", "left, diodes %"),
                [
                    (c.name, number(c.peak_current_a, 0),
                     "in the ring-down" if c.in_ring_down else "in the pulse",
                     number(c.peak_tank_v / 1000), number(c.left_shorted_percent, 0),
                     number(c.left_returned_percent, 0))
                    for c in report.cases
                ],
            )
        )  # fmt: skip
        parts.append(
            f"Left: what still rings {coil.min_off_time_us:g} µs after the pulse, as a share of "
            "the peak current, with a bridge that shorts the tank or returns its energy; by "
            "loss_ohm and a secondary of Q 150 (common practice, no source: 100 to 250). Limits "
            "grant the bang before a tenth: where more is shown, read the true time off a scope, "
            "without an arc, for tank.ring_down_us."
        )
        if (figure := coil_figure(coil)) is not None:
            words = (
                f"{coil.name}: peak current and energy against on-time, and the longest lawful "
                "on-time against break rate"
            )
            parts.append(Picture(figure, words))
    parts += [Note(f"not protected: {line}") for line in report.unprotected]
    return report.name, parts


def report(config: Config, *, as_json: bool, html: Path | None) -> int:
    """The table and plot of every coil. Raises OSError."""
    reports = [coil_report(coil) for coil in config.coil]
    chapters: list[Chapter] = [("How to read this", [Note(GUIDANCE), _FORMULAS])]
    chapters += [_coil_chapter(c, r) for c, r in zip(config.coil, reports, strict=True)]
    data = {"guidance": GUIDANCE, "coils": [asdict(r) for r in reports]}
    show(f"{config.site.name}: coils", chapters, data, as_json=as_json, html=html)
    return 0


# -- fitting --------------------------------------------------------------------------------------


def fit_data(found: Fit, longest_us: float | None, why: str) -> dict[str, Any]:
    """For JSON."""
    return {
        "readings": [asdict(r) for r in found.readings],
        "with_arc": found.with_arc,
        "drive_v": found.drive_v,
        "inductance_uh": found.inductance_h * 1e6,
        "inductance_error_uh": found.inductance_error_h * 1e6,
        "resistance_ohm": found.resistance_ohm,
        "resistance_error_ohm": found.resistance_error_ohm,
        "residual_percent": found.residual_percent,
        "measured_to_us": found.longest_us,
        "least_inductance_uh": found.least_inductance_h * 1e6,
        "least_resistance_ohm": found.least_resistance_ohm,
        "longest_on_time_us": longest_us,
        "longest_on_time_reason": why,
        "guidance": GUIDANCE,
    }


def fit_chapter(
    found: Fit, longest_us: float | None, why: str, model: CoilModel | None = None
) -> Chapter:
    """What the readings say, and the lines for the site file."""
    kind = "with an arc" if found.with_arc else "without breakout"
    rows: Sequence[Sequence[str]] = [
        (f"{r.on_time_us:g}", f"{r.peak_current_a:g}", number(found.current_a(r.on_time_us), 0))
        for r in found.readings
    ]
    parts: list[Part] = [
        f"{len(rows)} readings {kind}: L {found.inductance_h * 1e6:.2f} ± "
        f"{found.inductance_error_h * 1e6:.2f} µH, R {found.resistance_ohm:.3f} ± "
        f"{found.resistance_error_ohm:.3f} Ω (1 sigma), misfit {found.residual_percent:.1f} %.",
        Table(("on-time µs", "read A", "fitted A"), rows),
        Picture(fit_figure(found), "readings and the fitted curve"),
        f"Longest on-time that stands on them: {number(longest_us)} µs ({why}).",
    ]
    if found.with_arc:
        parts.append(
            Note(
                "These were taken with an arc, which hides how far the same pulse goes without "
                "one: limits count on none of its loss. Readings without breakout say more."
            )
        )
        parts.append(
            f"For [coil.tank]: loaded_ohm = {found.resistance_ohm:.3f}, "
            f"measured_to_us = {found.longest_us:g}"
        )
    else:
        capacitance = "and the capacitance_nf of your tank"
        if model is not None:
            capacitance = f"capacitance_nf = {model.circuit.capacitance_f * 1e9:.4g}"
        parts.append(
            f"For [coil.tank]: inductance_uh = {found.least_inductance_h * 1e6:.2f}, {capacitance} "
            "(both in place of resonant_frequency_khz and impedance_ohm), "
            f"loss_ohm = {found.least_resistance_ohm:.3f}, measured_to_us = {found.longest_us:g} "
            "(the values limits may stand on: two sigma to the safe side)"
        )
    return "Fit", parts


def fit_report(
    readings: Path,
    *,
    coil: Coil | None,
    bus_voltage_v: float | None,
    bridge: Bridge,
    as_json: bool,
    html: Path | None,
) -> int:
    """`--fit`. Raises FitError, OSError, ValueError (no bus voltage)."""
    model = None if coil is None else model_of(coil)
    if bus_voltage_v is None:
        if model is None:
            raise ValueError(
                "the bus voltage is needed: give --bus-voltage, or the site file with "
                "[coil.tank] and [coil.supply] of the coil"
            )
        drive_v = model.drive_v
    else:
        drive_v = fundamental_v(bus_voltage_v, bridge)
    found = fit(read_csv(readings), drive_v)
    longest_us, why = limits_of_fit(found, model)
    chapters = [("How to read this", [Note(GUIDANCE)]), fit_chapter(found, longest_us, why, model)]
    title = f"Readings of {coil.name}" if coil is not None else "Readings"
    show(title, chapters, fit_data(found, longest_us, why), as_json=as_json, html=html)
    return 0
