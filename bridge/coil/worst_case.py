"""The most current that an on-time can lead to, whatever the secondary does. Pure.

A reading taken with an arc hides how far the same pulse goes without one, with the secondary off
its tuning, or struck to ground; and a coupled secondary may give its energy back after the pulse.
So limits stand on a bound over all of that, from an energy balance (our own derivation):

- All energy comes through the bridge: dE/dt ≤ (2/π)·V·I − ½·R·I², where I is the envelope and V the
  square wave (V₁ = 4/π·V).
- The current the primary can carry of an energy E is largest when nothing of it is elsewhere. The
  magnetic energy of two coupled coils is at least ½·L·(1 − k²)·i² whatever the secondary's current,
  so I ≤ J = √(2E/L′) with L′ = L·(1 − k²): the inductance with the secondary struck (shorted).
- The right side is largest over I ≤ J at I = J, up to J = V₁/2R: J rises as a primary alone with
  L′ and R does. Beyond, energy hidden in the secondary escapes the loss R: J² rises by V₁²/4RL′ a
  second.
- After the pulse nothing feeds E, so ring-down with the bridge off or shorted cannot pass it.
- What the bang before left (a share r of J, still there when the next begins) adds to J whatever
  its phase: dJ/dt falls with J, so J with a start is at most J without plus the start. Bang after
  bang that is J/(1 - r).

Two things are added to every on-time: half a cycle, for a driver that ends at the next zero
crossing (common practice, no source), and RIPPLE of one, for within a cycle energy runs ahead of
its mean. Cycles are those of the slower of the two coupled modes, f/√(1 + k). The mains is 10 %
high (EN 50160, from memory: ± 10 %). tests/coil runs the coupled model (coupled.py) against it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.coil.ring_up import NO_LOSS_OHM, RingUp
from bridge.coil.tank import Bridge, TankCircuit, fundamental_v

MAINS_HIGH = 1.10
RIPPLE = 0.106
"""Of a cycle. Worst in the very first half wave, i = (V/Z₀)·sin ωt from rest: its energy 1 − cos ωt
is the envelope's 2(ωt + δ)²/π² with δ at most 0.661 rad."""

RING_DOWN_CHARGE, RING_DOWN_SQUARE = 0.62, 0.38
"""∫ of a ring-down's envelope and of its square, as shares of peak (squared) × the time to a tenth:
falling in a straight line (0.55, 0.37), which is more than exponentially (0.39, 0.21), and what
comes below the tenth by another such time."""


@dataclass(frozen=True, slots=True)
class WorstCase:
    """The bound for one coil. All methods take the on-time asked, in seconds."""

    tank: TankCircuit
    """With the loss of the primary alone, no arc."""
    bus_voltage_v: float
    bridge: Bridge
    coupling: float
    mains_high: float = MAINS_HIGH
    residual: float = 0.0
    """r: most that a bang leaves of its current for the next, 0..1 (without 1)."""
    ring_down_s: float | None = None
    """After a bang, until its current is down to a tenth; None: not known."""

    @property
    def extra_s(self) -> float:
        """What is added to every on-time."""
        return (0.5 + RIPPLE) * math.sqrt(1 + self.coupling) / self.tank.frequency_hz

    @property
    def alone(self) -> RingUp:
        """The primary with a struck secondary on high mains."""
        return RingUp(
            fundamental_v(self.bus_voltage_v, self.bridge) * self.mains_high,
            self.tank.inductance_h * (1 - self.coupling**2),
            self.tank.resistance_ohm,
        )

    def _bend(self, alone: RingUp) -> tuple[float, float]:
        """When J reaches V₁/2R, and how fast J² rises from there."""
        resistance = alone.resistance_ohm
        if resistance < NO_LOSS_OHM:
            return math.inf, 0.0
        rise = alone.drive_v**2 / (4 * resistance * alone.inductance_h)
        return 2 * alone.inductance_h / resistance * math.log(2), rise

    def current_a(self, on_s: float) -> float:
        """Peak primary current at most, in the pulse or after it, bang after bang."""
        return self._first_a(on_s) / (1 - self.residual)

    def _first_a(self, on_s: float) -> float:
        """Out of rest."""
        alone, time_s = self.alone, on_s + self.extra_s
        bend_s, rise = self._bend(alone)
        if time_s <= bend_s:
            return alone.current_a(time_s)
        return math.sqrt(alone.current_a(bend_s) ** 2 + rise * (time_s - bend_s))

    def tank_v(self, on_s: float) -> float:
        """Peak voltage on the tank capacitor at most: ½·C·v² ≤ ½·L′·J²."""
        return self.current_a(on_s) * self.impedance_ohm

    @property
    def impedance_ohm(self) -> float:
        """√(L′/C)."""
        return math.sqrt(self.alone.inductance_h / self.tank.capacitance_f)

    def longest_s(self, current_a: float) -> float:
        """The longest on-time that keeps below the current; 0 where not even half a cycle does."""
        alone = self.alone
        current_a *= 1 - self.residual
        bend_s, rise = self._bend(alone)
        time_s = alone.time_to_s(current_a)
        if time_s > bend_s:
            time_s = bend_s + (current_a**2 - alone.current_a(bend_s) ** 2) / rise
        return max(0.0, time_s - self.extra_s)

    def energy_j(self, on_s: float) -> float:
        """Drawn from the bus at most; nothing that rings back is credited."""
        return 0.5 * self.alone.drive_v * self.pulse_charge_as(on_s)

    def pulse_charge_as(self, on_s: float) -> float:
        """∫ of the envelope over the pulse alone, what the bang before left included."""
        alone, time_s = self.alone, on_s + self.extra_s
        left_as = self.residual * self.current_a(on_s) * time_s
        bend_s, rise = self._bend(alone)
        if time_s <= bend_s:
            return alone.charge_as(time_s) + left_as
        start = alone.current_a(bend_s) ** 2
        end = start + rise * (time_s - bend_s)
        more_as = 2 / (3 * rise) * (end**1.5 - start**1.5)
        return alone.charge_as(bend_s) + more_as + left_as

    def charge_as(self, on_s: float) -> float:
        """∫ of the envelope over the pulse and its ring-down: what flows through a switch's drop.

        Ring-down into the bus through the bridge's diodes mirrors a lossless ring-up, and is
        shorter with loss (the same equation with the drive reversed). A bridge that shorts the tank
        lets it ring as long as it was seen to: RING_DOWN_CHARGE. The worse of the two.
        """
        pulse_as = self.pulse_charge_as(on_s)
        shorted_as = RING_DOWN_CHARGE * self.current_a(on_s) * (self.ring_down_s or 0.0)
        return pulse_as + max(pulse_as, shorted_as)

    def square_a2s(self, on_s: float) -> float:
        """∫ of the envelope squared over the pulse and its ring-down (as above), out of rest."""
        alone, time_s = self.alone, on_s + self.extra_s
        bend_s, rise = self._bend(alone)
        if time_s <= bend_s:
            pulse_a2s = alone.square_a2s(time_s)
        else:
            more_s = time_s - bend_s
            start = alone.current_a(bend_s) ** 2
            pulse_a2s = alone.square_a2s(bend_s) + start * more_s + 0.5 * rise * more_s**2
        peak_a = self._first_a(on_s)
        shorted_a2s = RING_DOWN_SQUARE * peak_a**2 * (self.ring_down_s or 0.0)
        return pulse_a2s + max(pulse_a2s, shorted_a2s)
