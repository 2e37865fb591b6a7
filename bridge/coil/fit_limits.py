"""Which limits stand on a user's own readings: for the walk, its end, and `--fit` alike. Pure."""

from __future__ import annotations

from dataclasses import replace

from bridge.coil.fit import Fit
from bridge.coil.lawful import current_allowed_a
from bridge.coil.model import CoilModel
from bridge.coil.worst_case import WorstCase


def worst_of_fit(found: Fit, model: CoilModel) -> WorstCase:
    """The worst case of the primary as it was read, two sigma to the safe side.

    Readings with an arc say little of the primary alone: the smaller inductance counts.
    """
    least_h = found.least_inductance_h
    if found.with_arc:
        least_h = min(least_h, model.circuit.inductance_h)
    circuit = replace(
        model.circuit, inductance_h=least_h, resistance_ohm=found.least_resistance_ohm
    )
    return replace(model.worst, tank=circuit)


def limits_of_fit(found: Fit, model: CoilModel | None) -> tuple[float | None, str]:
    """(longest on-time in µs that stands on these readings, why); None: it cannot be said."""
    if model is None:
        return None, "give the site file with [coil.tank] and [coil.supply] for a limit"
    longest_us = worst_of_fit(found, model).longest_s(current_allowed_a(model)) * 1e6
    if longest_us <= found.longest_us:
        return longest_us, "peak primary current in the worst case"
    return found.longest_us, "the longest on-time measured: a fit says nothing beyond it"
