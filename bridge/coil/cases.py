"""The worst cases one by one, by the coupled model: what the bound is over. Pure.

For people to look at, and a check of the bound on the user's own numbers; limits stand on
worst_case.py, which no case passes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bridge.coil.coupled import After, Bang, simulate
from bridge.coil.model import CoilModel
from bridge.coil.worst_case import MAINS_HIGH

LOADED_QUALITY = 8.0
"""An arc's load on the secondary where tank.loaded_ohm is not given (common practice, no source: 5
to 15)."""
DETUNED = 0.12
"""By how much a secondary may lie off the primary (common practice, no source)."""
_RING_DOWN_CYCLES = 12


@dataclass(frozen=True, slots=True)
class Case:
    name: str
    peak_current_a: float
    in_ring_down: bool
    """Is the largest current after the pulse?"""
    peak_tank_v: float
    drawn_j: float
    left_shorted_percent: float
    """What the energy left at the next bang, the soonest that it may come, could make of current,
    as a share of the peak, where the bridge shorts the tank meanwhile."""
    left_returned_percent: float
    """The same where its diodes return the energy to the bus."""


def arc_quality(model: CoilModel) -> float:
    """The load on the secondary that takes as much from the primary as `tank.loaded_ohm` says.

    A secondary in resonance puts k²·Z₀·Q in series with the primary (standard theory of coupled
    circuits).
    """
    loaded, coupling = model.tank.loaded_ohm, model.tank.coupling
    if loaded is None or loaded <= model.tank.loss_ohm or coupling == 0:
        return LOADED_QUALITY
    return (loaded - model.tank.loss_ohm) / (coupling**2 * model.circuit.impedance_ohm)


def cases(model: CoilModel, on_time_us: float, off_time_us: float) -> list[Case]:
    """Mains 10 % high, half a cycle more than asked; each with a drive that follows the primary's
    current and with one fixed at its resonance, and with a bridge that shorts the tank after the
    pulse or returns its energy: the worst of the four."""
    frequency_hz = model.circuit.frequency_hz
    least_h = model.worst.alone.inductance_h
    plain = model.secondary
    circuits = {
        "no breakout": plain,
        "with the usual arc": replace(plain, load_quality=arc_quality(model)),
        "secondary tuned low": replace(plain, frequency_hz=plain.frequency_hz * (1 - DETUNED)),
        "secondary tuned high": replace(plain, frequency_hz=plain.frequency_hz * (1 + DETUNED)),
        "struck to ground": plain.struck(),
    }
    found: list[Case] = []
    for name, circuit in circuits.items():
        bangs = {
            after: [
                simulate(
                    model.circuit,
                    circuit,
                    square_v=model.square_v * MAINS_HIGH,
                    on_s=on_time_us * 1e-6 + 0.5 / frequency_hz,
                    after_s=max(_RING_DOWN_CYCLES / frequency_hz, off_time_us * 1e-6),
                    after=after,
                    drive_hz=drive_hz,
                    steps_a_cycle=48,
                )
                for drive_hz in (None, frequency_hz)
            ]
            for after in After
        }

        def left(after: After, bangs: dict[After, list[Bang]] = bangs) -> float:
            return max(100 * math.sqrt(2 * b.stored_j / least_h) / b.peak_a for b in bangs[after])

        worst = max((b for some in bangs.values() for b in some), key=lambda bang: bang.peak_a)
        late = worst.peak_a > worst.peak_in_pulse_a * 1.001
        found.append(
            Case(
                name, worst.peak_a, late, worst.peak_v, worst.drawn_j, left(After.SHORTS),
                left(After.RETURNS),
            )
        )  # fmt: skip
    return found
