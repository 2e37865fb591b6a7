"""What each coil and the mains do second by second, from the pulses alone. Pure.

A pulse counts whole in the second in which it begins, from the first of the score's input on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bridge.coil.curves import curves_of
from bridge.config import Config
from bridge.governor.mains import SiteMains
from bridge.mains.supply import lines_of
from bridge.rehearse.pulse_arrays import PulseArrays

MOST_STRETCHES = 16
"""As many rows as a terminal shows at once beside the rest."""

Floats = npt.NDArray[np.float64]
BySecond = dict[str, list[float]]
"""By coil."""


@dataclass(frozen=True, slots=True)
class OverTime:
    break_rate_hz: BySecond
    duty_percent: BySecond
    energy_j: BySecond
    """As expected with the usual arc; of coils whose tank and supply are told."""
    mains_a: BySecond
    """Of coils whose mains is known too: the most they can draw for those bangs."""


def over_time(
    config: Config,
    pulses: Mapping[str, PulseArrays],
    seconds: int,
    budget: SiteMains | None,
) -> OverTime:
    """`seconds`: how many, at least 1; what begins later counts in the last."""
    found = OverTime({}, {}, {}, {})
    for coil in config.coil:
        fired = pulses[coil.name]
        starts, on_us = fired.start_s, fired.on_s * 1e6
        second = np.clip(starts, 0, seconds - 1).astype(np.int64)
        lengths, inverse = np.unique(on_us, return_inverse=True)

        def summed(weights: Floats, second: npt.NDArray[np.int64] = second) -> list[float]:
            return np.bincount(second, weights=weights, minlength=seconds).tolist()

        found.break_rate_hz[coil.name] = summed(np.ones_like(on_us))
        found.duty_percent[coil.name] = summed(on_us * 1e-4)
        curves = curves_of(coil)
        if curves is not None:
            joules = np.array([curves.energy_j(float(u)) for u in lengths], dtype=np.float64)
            found.energy_j[coil.name] = summed(joules[inverse])
        if budget is not None and coil.name in budget.shares:
            share = budget.shares[coil.name]
            charge = np.array([share.charge_as(float(u)) for u in lengths], dtype=np.float64)
            found.mains_a[coil.name] = summed(charge[inverse])
    return found


@dataclass(frozen=True, slots=True)
class MainsLine:
    """One line of the site's mains."""

    number: int
    coils: tuple[str, ...]
    """That it feeds, of those whose draw is known."""
    budget_a: float
    """What they may draw of it for ever, all together."""


def mains_lines(config: Config, budget: SiteMains | None) -> tuple[MainsLine, ...]:
    mains = config.site.mains
    if mains is None or budget is None:
        return ()
    fed = {
        coil.name: lines_of(mains.system, coil.supply.lines)
        for coil in config.coil
        if coil.supply is not None and coil.name in budget.shares
    }
    return tuple(
        MainsLine(number, tuple(n for n, lines in fed.items() if number in lines), line.flow_a)
        for number, line in budget.lines.items()
    )


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some seconds on end; of each quantity the most in any one of them, energy in all of them."""

    begin_s: int
    first_bar: int
    last_bar: int
    break_rate_hz: dict[str, float]
    duty_percent: dict[str, float]
    energy_j: float | None
    """None: no coil's is known."""
    mains_a: float | None
    """Of the line that is asked for most."""


def stretches(found: OverTime, bars: Sequence[int], lines: Sequence[MainsLine]) -> list[Stretch]:
    """All of the time in `MOST_STRETCHES` at most. `bars`: which sounds as each second begins."""
    seconds = len(bars)
    step = -(-seconds // MOST_STRETCHES)

    def most(of: BySecond, here: slice) -> dict[str, float]:
        return {name: max(values[here]) for name, values in of.items()}

    def together(of: BySecond, here: slice, names: Iterable[str]) -> list[float]:
        return [sum(each) for each in zip(*(of[name][here] for name in names), strict=True)]

    rows: list[Stretch] = []
    for begin in range(0, seconds, step):
        here = slice(begin, begin + step)
        joules = together(found.energy_j, here, found.energy_j)
        amperes = [max(together(found.mains_a, here, line.coils)) for line in lines]
        rows.append(
            Stretch(
                begin,
                bars[begin],
                bars[min(begin + step, seconds) - 1],
                most(found.break_rate_hz, here),
                most(found.duty_percent, here),
                sum(joules) if joules else None,
                max(amperes, default=None),
            )
        )
    return rows
