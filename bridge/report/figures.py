"""Figures as SVG text. matplotlib without a display; colours readable in print and for the
colour-blind, lines told apart by their dashes as well (never colour alone)."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Any

from bridge.coil.fit import Fit
from bridge.coil.lawful import current_allowed_a, longest_at
from bridge.coil.model import model_of
from bridge.config import Coil
from bridge.governor.governor import Governor
from bridge.mains.breaker import ThermalBreaker

# matplotlib's own types are wider than a strict reader takes.
mpl: Any = import_module("matplotlib")
Figure: Any = import_module("matplotlib.figure").Figure
INK, COPPER, SLATE, MOSS = "#1d2226", "#a4552a", "#3f5b73", "#5c6b2f"
_POINTS = 120
_SHORT_S = 180
_ABOVE: dict[str, Any] = {
    "frameon": False, "loc": "lower left", "bbox_to_anchor": (0, 1), "ncols": 2,
    "borderaxespad": 0.2,
}  # fmt: skip
"""A legend that covers no curve."""
_STYLE: dict[str, Any] = {
    "font.family": "sans-serif", "font.size": 9, "axes.edgecolor": INK, "axes.labelcolor": INK,
    "text.color": INK, "xtick.color": INK, "ytick.color": INK, "axes.grid": True,
    "grid.color": "#d9d4cc", "grid.linewidth": 0.6, "axes.spines.top": False,
    "axes.spines.right": False, "svg.fonttype": "none", "svg.hashsalt": "coilwarden",
}  # fmt: skip


def _svg(figure: Any) -> str:
    text = io.StringIO()
    figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    whole = text.getvalue()
    return whole[whole.index("<svg") :]


def _new(panels: int) -> tuple[Any, Sequence[Any]]:
    figure: Any = Figure(figsize=(4.6 * panels, 3.1), layout="constrained")
    axes = figure.subplots(1, panels, squeeze=False)
    return figure, list(axes[0])


def coil_figure(coil: Coil) -> str | None:
    """Current and energy against on-time, lawful on-time against break rate; None: no tank."""
    model = model_of(coil)
    if model is None:
        return None
    with mpl.rc_context(_STYLE):
        figure, (left, right) = _new(2)
        top_us = 1.15 * coil.max_on_time_us
        on_us = [top_us * n / _POINTS for n in range(1, _POINTS + 1)]
        left.plot(on_us, [model.worst.current_a(t * 1e-6) for t in on_us], color=COPPER,
                  label="worst case")  # fmt: skip
        left.plot(on_us, [model.expected.current_a(t * 1e-6) for t in on_us], color=SLATE,
                  linestyle="--", label="with the usual arc")  # fmt: skip
        allowed = current_allowed_a(model)
        left.axhline(allowed, color=INK, linewidth=0.9, linestyle=":")
        left.text(0, allowed, " allowed", va="top")
        left.axvline(coil.max_on_time_us, color=INK, linewidth=0.9, linestyle="-.")
        left.text(coil.max_on_time_us, 0, "configured ", ha="right", va="bottom", rotation=90)
        left.set(xlabel="on-time, µs", ylabel="peak primary current, A", xlim=(0, top_us), ylim=0)
        energy = left.twinx()
        energy.grid(visible=False)
        energy.plot(on_us, [model.expected.energy_j(t * 1e-6) for t in on_us], color=MOSS,
                    linestyle=(0, (1, 1)), label="energy, with the usual arc")  # fmt: skip
        energy.set(ylabel="energy of a bang, J", ylim=0)
        energy.spines["right"].set_visible(True)
        lines = [*left.get_lines()[:2], energy.get_lines()[0]]
        left.legend(lines, [line.get_label() for line in lines], **_ABOVE)
        governor = Governor(coil, link_jitter_s=0.0)
        rates = [10 * (coil.max_break_rate_hz / 10) ** (n / 60) for n in range(61)]
        lawful = [longest_at(model, r, coil.max_on_time_us).on_time_us for r in rates]
        governed = [governor.full_scale_on_time_us(r) for r in rates]
        right.plot(rates, lawful, color=COPPER, label="coil and supply")
        right.plot(rates, governed, color=SLATE, linestyle="--", label="governor, one voice")
        right.axhline(coil.min_on_time_us, color=INK, linewidth=0.9, linestyle=":")
        right.text(rates[0], coil.min_on_time_us, " breakout", va="bottom")
        right.set(xscale="log", xlabel="break rate, Hz", ylabel="longest on-time, µs", ylim=0)
        right.legend(**_ABOVE)
        return _svg(figure)


def fit_figure(fit: Fit) -> str:
    """Readings and the fitted curve, which ends where the readings do."""
    with mpl.rc_context(_STYLE):
        figure, (axes,) = _new(1)
        on_us = [fit.longest_us * n / _POINTS for n in range(1, _POINTS + 1)]
        axes.plot(on_us, [fit.current_a(t) for t in on_us], color=SLATE, label="fitted")
        axes.plot([r.on_time_us for r in fit.readings], [r.peak_current_a for r in fit.readings],
                  "o", color=COPPER, label="read")  # fmt: skip
        axes.set(xlabel="on-time, µs", ylabel="peak primary current, A", xlim=0, ylim=0)
        axes.legend(**_ABOVE)
        return _svg(figure)


def breaker_figure(early: ThermalBreaker, late: ThermalBreaker, rated_a: float) -> str:
    """Trip times between the earliest and the latest a standard allows."""
    with mpl.rc_context(_STYLE):
        figure, (axes,) = _new(1)
        multiples = [1.01 + n * 0.02 for n in range(150)]
        for breaker, colour, dashes, name in (
            (early, COPPER, "-", "earliest"), (late, SLATE, "--", "latest"),
        ):  # fmt: skip
            points = [(m * rated_a, breaker.trip_s(m * rated_a)) for m in multiples]
            points = [(a, s) for a, s in points if 0 < s < 1e5]
            axes.plot([a for a, _ in points], [s for _, s in points], color=colour,
                      linestyle=dashes, label=name)  # fmt: skip
        axes.set(yscale="log", xlabel="RMS current, A", ylabel="trips after, s (from cold)")
        axes.legend(**_ABOVE)
        return _svg(figure)


def night_figure(
    by_second: Mapping[str, Sequence[float]], allowed: float | None, words: str
) -> str:
    """Something of each coil second by second, one on another; `allowed`: a line, or None."""
    with mpl.rc_context(_STYLE):
        figure: Any = Figure(figsize=(9.2, 3.1), layout="constrained")
        axes = figure.subplots()
        seconds = range(max((len(a) for a in by_second.values()), default=0))
        unit, unit_s = ("minutes", 60) if len(seconds) > _SHORT_S else ("seconds", 1)
        times = [s / unit_s for s in seconds]
        below = [0.0] * len(times)
        looks = ((COPPER, "-"), (SLATE, "--"), (MOSS, ":"), (INK, "-."))
        for index, (name, values) in enumerate(by_second.items()):
            colour, dashes = looks[index % len(looks)]
            top = [b + v for b, v in zip(below, values, strict=True)]
            axes.fill_between(times, below, top, color=colour, alpha=0.25, linewidth=0)
            axes.plot(times, top, color=colour, linestyle=dashes, linewidth=0.9, label=name)
            below = top
        if allowed is not None:
            axes.axhline(allowed, color=INK, linewidth=1.2, linestyle=(0, (5, 1)))
            axes.text(0, allowed, " left to the coils", va="bottom")
            axes.set_ylim(top=max(axes.get_ylim()[1], 1.15 * allowed))  # room for its words
        axes.set(xlabel=unit, ylabel=words, xlim=0)
        axes.set_ylim(bottom=0)
        axes.legend(**_ABOVE)
        return _svg(figure)
