"""What a user may tell of a coil's tank and supply, the site's mains and its audience.

All of it is optional, and each part that is missing is something the tool then says it cannot
protect (coil/checks.py). Ratings are the user's own, from data sheets and scope readings.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from bridge.config_section import Section

System = Literal["single", "split", "three"]
Line = Annotated[int, Field(ge=1, le=3)]


class Tank(Section):
    """The series-resonant primary and what it must not exceed: [coil.tank]."""

    inductance_uh: float | None = Field(default=None, gt=0, le=1000)
    capacitance_nf: float | None = Field(default=None, gt=0, le=100_000)
    resonant_frequency_khz: float | None = Field(default=None, ge=5, le=2000)
    impedance_ohm: float | None = Field(default=None, gt=0, le=1000)
    """Either inductance and capacitance, or resonant frequency and impedance √(L/C)."""
    loss_ohm: float = Field(default=0.0, ge=0, le=100)
    """Series resistance with no arc; 0 is the cautious reading where it was not measured."""
    loaded_ohm: float | None = Field(default=None, ge=0, le=100)
    """The same with the usual arc: what loudness and expected readings are reckoned with."""
    coupling: float = Field(default=0.2, ge=0, le=0.6)
    """Primary to secondary. A struck secondary takes coupling² of the inductance away."""
    secondary_frequency_khz: float | None = Field(default=None, ge=5, le=2000)
    """Of the secondary by itself; absent: the primary's."""
    current_limit_a: float = Field(gt=0, le=100_000)
    """Peak primary current that switches and capacitor take, single pulse."""
    current_margin_percent: float = Field(default=10.0, ge=0, le=90)
    """Kept free below the current limit in the worst case."""
    measured_to_us: float | None = Field(default=None, gt=0, le=400)
    """The longest on-time of the readings these numbers were fitted to."""
    capacitor_peak_v: float | None = Field(default=None, gt=0, le=1_000_000)
    capacitor_rms_a: float | None = Field(default=None, gt=0, le=10_000)
    switch_drop_v: float = Field(default=0.0, ge=0, le=20)
    switch_slope_mohm: float = Field(default=0.0, ge=0, le=1000)
    """On-state voltage of one switch: drop + slope × current."""
    switch_dissipation_w: float | None = Field(default=None, gt=0, le=10_000)
    """What one switch may dissipate on its heat sink."""
    switch_energy_mj: float | None = Field(default=None, gt=0, le=10_000)
    """On and off once, together, at switch_energy_at_a and about this bus (data sheet)."""
    switch_energy_at_a: float | None = Field(default=None, gt=0, le=100_000)
    ring_down_us: float | None = Field(default=None, gt=0, le=20_000)
    """From the end of a pulse until the primary current is down to a tenth for good, without an
    arc."""
    longest_measured_arc_m: float | None = Field(default=None, gt=0, le=50)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        by_parts = (self.inductance_uh, self.capacitance_nf)
        by_resonance = (self.resonant_frequency_khz, self.impedance_ohm)
        given = [None not in pair for pair in (by_parts, by_resonance)]
        touched = [any(v is not None for v in pair) for pair in (by_parts, by_resonance)]
        if given.count(True) != 1 or touched.count(True) != 1:
            raise ValueError(
                "give either inductance_uh and capacitance_nf, or resonant_frequency_khz and "
                "impedance_ohm"
            )
        if self.loaded_ohm is not None and self.loaded_ohm < self.loss_ohm:
            raise ValueError(
                f"loaded_ohm ({self.loaded_ohm:g}) is below loss_ohm ({self.loss_ohm:g}); an arc "
                "adds loss"
            )
        if (self.switch_energy_mj is None) != (self.switch_energy_at_a is None):
            raise ValueError(
                "switch_energy_mj and switch_energy_at_a belong together: give both or neither"
            )
        if self.switch_dissipation_w is not None and not (
            self.switch_drop_v or self.switch_slope_mohm
        ):
            raise ValueError(
                "switch_dissipation_w needs switch_drop_v or switch_slope_mohm to reckon with"
            )
        return self


class Supply(Section):
    """What feeds the bridge: [coil.supply]."""

    bus_voltage_v: float = Field(gt=0, le=10_000)
    """At nominal mains, no load."""
    bridge: Literal["full", "half"] = "full"
    bus_capacitance_uf: float | None = Field(default=None, gt=0, le=1_000_000)
    max_droop_percent: float = Field(default=10.0, gt=0, le=50)
    """How far one bang may pull the bus down."""
    recharge_w: float | None = Field(default=None, gt=0, le=1_000_000)
    """Most mean power that rectifier, charger and wiring can give the bus."""
    power_factor: float = Field(default=0.65, gt=0.2, le=1)
    """True power over apparent: 0.65 for a plain rectifier with capacitors (common practice, no
    source)."""
    efficiency: float = Field(default=0.9, gt=0.2, le=1)
    """From the mains to the bus."""
    lines: tuple[Line, ...] | None = Field(default=None, min_length=1, max_length=3, strict=False)
    """Which lines of [site.mains] feed it: one (against neutral), two, or three; absent: all."""
    precharge_ohm: float | None = Field(default=None, gt=0, le=10_000)
    """What limits the current while the empty bus is charged, all of it together."""

    @model_validator(mode="after")
    def _once(self) -> Self:
        if self.lines is not None and len(set(self.lines)) != len(self.lines):
            raise ValueError("lines names the same line twice")
        return self


class Mains(Section):
    """The feed all coils share: [site.mains]. Every current is that of one line."""

    system: System = "single"
    """single: two conductors. split: two lines and a neutral midway. three: three lines."""
    voltage_v: float = Field(ge=90, le=500)
    """Between the two conductors; split and three: between lines."""
    breaker_a: float = Field(gt=0, le=125)
    breaker: Literal["iec60898", "ul489"] = "iec60898"
    curve: Literal["B", "C", "D"] = "C"
    """Instantaneous band; ul489 has none of its own and is reckoned as B."""
    continuous_percent: float = Field(default=80.0, gt=0, le=100)
    budget_a: float | None = Field(default=None, gt=0, le=125)
    """Mean RMS current in any averaging time; absent: the continuous rule's share of the
    breaker."""
    averaging_s: float = Field(default=60.0, ge=5, le=600)
    other_load_a: float = Field(default=0.0, ge=0, le=125)
    """What else hangs on this feed: fans, controls, backing audio."""

    @property
    def continuous_a(self) -> float:
        """The most this breaker carries for hours."""
        return self.breaker_a * self.continuous_percent / 100

    @property
    def allowed_a(self) -> float:
        """The site's budget, other loads included."""
        return self.continuous_a if self.budget_a is None else self.budget_a

    @model_validator(mode="after")
    def _within(self) -> Self:
        if self.allowed_a > self.continuous_a + 1e-9:
            raise ValueError(
                f"budget_a ({self.allowed_a:g}) is beyond {self.continuous_percent:g} % of the "
                f"{self.breaker_a:g} A breaker; at most {self.continuous_a:g} is allowed"
            )
        if self.other_load_a >= self.allowed_a:
            raise ValueError(
                f"other_load_a ({self.other_load_a:g}) leaves nothing of the budget of "
                f"{self.allowed_a:g} A"
            )
        return self


class Audience(Section):
    """Who stands where: [site.audience]."""

    nearest_m: float = Field(gt=0, le=500)
    """From the nearest coil to the nearest place of the audience: the line."""
    operator_m: float = Field(gt=0, le=500)
    """From the nearest coil to the operator's place."""
    measured_level_db: float | None = Field(default=None, ge=40, le=150)
    """A-weighted, slow, all coils at their loudest, at measured_at_m."""
    measured_at_m: float = Field(default=3.0, gt=0, le=500)
    set_minutes: float = Field(default=30.0, gt=0, le=1440)
    """How long a set lasts, where no record of one is given."""
    keep_out_floor_m: float = Field(default=3.0, ge=0, le=500)
    keep_out_margin_percent: float = Field(default=50.0, ge=0, le=1000)
    """Added to the longest arc that must be reckoned with."""
