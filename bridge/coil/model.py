"""One coil's [coil.tank] and [coil.supply] as the physics needs them. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from bridge.coil.ring_up import RingUp
from bridge.coil.secondary import SecondaryCircuit
from bridge.coil.tank import TankCircuit, fundamental_v, square_v
from bridge.coil.worst_case import WorstCase
from bridge.config import Coil
from bridge.config_power import Supply, Tank

RESIDUAL = 0.1
"""What limits grant to the bang before, as a share of its current: min_off_time_us must be long
enough for it to ring down so far (checks.py), where tank.ring_down_us tells how long that takes."""


@dataclass(frozen=True, slots=True)
class CoilModel:
    """What can be reckoned for one coil."""

    tank: Tank
    supply: Supply
    circuit: TankCircuit
    """With the loss of the primary alone."""

    @property
    def drive_v(self) -> float:
        """V₁ at nominal mains."""
        return fundamental_v(self.supply.bus_voltage_v, self.supply.bridge)

    @property
    def square_v(self) -> float:
        return square_v(self.supply.bus_voltage_v, self.supply.bridge)

    @property
    def expected(self) -> RingUp:
        """With the usual arc at nominal mains: what a scope should show."""
        loaded = self.tank.loaded_ohm
        ohm = self.tank.loss_ohm if loaded is None else loaded
        return RingUp(self.drive_v, self.circuit.inductance_h, ohm)

    @property
    def unloaded(self) -> RingUp:
        """Without breakout at nominal mains, the primary alone."""
        return RingUp(self.drive_v, self.circuit.inductance_h, self.tank.loss_ohm)

    @property
    def worst(self) -> WorstCase:
        """What a single bang stands on, with what the bang before left in it."""
        return replace(self.from_rest, residual=RESIDUAL)

    @property
    def from_rest(self) -> WorstCase:
        """What means over seconds stand on (power, heating): every bang out of rest.

        Few bangs of a train come as close as the shortest off-time, and none of them would find
        the tenth always in step.
        """
        ring_down_us = self.tank.ring_down_us
        return WorstCase(
            self.circuit, self.supply.bus_voltage_v, self.supply.bridge, self.tank.coupling,
            ring_down_s=None if ring_down_us is None else ring_down_us * 1e-6,
        )  # fmt: skip

    @property
    def secondary(self) -> SecondaryCircuit:
        khz = self.tank.secondary_frequency_khz
        frequency_hz = self.circuit.frequency_hz if khz is None else khz * 1000
        return SecondaryCircuit(frequency_hz, self.tank.coupling)


def circuit_of(tank: Tank) -> TankCircuit:
    """L, C and the loss without an arc, from whichever pair the user gave."""
    if tank.resonant_frequency_khz is not None and tank.impedance_ohm is not None:
        circuit = TankCircuit.from_resonance(tank.resonant_frequency_khz * 1e3, tank.impedance_ohm)
        return replace(circuit, resistance_ohm=tank.loss_ohm)
    if tank.inductance_uh is None or tank.capacitance_nf is None:
        raise ValueError("the tank has neither L and C nor frequency and impedance")
    return TankCircuit(tank.inductance_uh * 1e-6, tank.capacitance_nf * 1e-9, tank.loss_ohm)


def model_of(coil: Coil) -> CoilModel | None:
    """None where tank or supply is not given."""
    if coil.tank is None or coil.supply is None:
        return None
    return CoilModel(coil.tank, coil.supply, circuit_of(coil.tank))
