"""Which limits stand on a user's own readings: for the walk, its end, and `--fit` alike. Pure."""

from __future__ import annotations

from dataclasses import replace

from bridge.coil.fit import Fit
from bridge.coil.lawful import at_any_rate
from bridge.coil.model import CoilModel


def model_of_fit(found: Fit, model: CoilModel) -> CoilModel:
    """The coil with its primary as it was read, two sigma to the safe side.

    Readings with an arc say little of the primary alone: the smaller inductance counts. Bounded by
    nothing that was measured before.
    """
    least_h = found.least_inductance_h
    if found.with_arc:
        least_h = min(least_h, model.circuit.inductance_h)
    circuit = replace(
        model.circuit, inductance_h=least_h, resistance_ohm=found.least_resistance_ohm
    )
    tank = model.tank.model_copy(update={"measured_to_us": None})
    return replace(model, tank=tank, circuit=circuit)


def limits_of_fit(found: Fit, model: CoilModel | None) -> tuple[float | None, str]:
    """(longest on-time in µs that stands on these readings, why); None: it cannot be said."""
    if model is None:
        return None, "give the site file with [coil.tank] and [coil.supply] for a limit"
    first = at_any_rate(model_of_fit(found, model))[0]
    if first.on_time_us <= found.longest_us:
        return first.on_time_us, f"{first.reason.value} in the worst case"
    return found.longest_us, "the longest on-time measured: a fit says nothing beyond it"
