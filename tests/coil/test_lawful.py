"""No lawful on-time passes what any of the worst cases allows; it shrinks as things get worse."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.coil.coupled import SecondaryCircuit, simulate
from bridge.coil.curves import STEP_US, CoilCurves, curves_of
from bridge.coil.lawful import (
    Reason,
    at_any_rate,
    current_allowed_a,
    lawful_curve,
    longest_at,
    most_rate_hz,
    switch_energy_j,
    switching_j,
)
from bridge.coil.model import RESIDUAL
from tests.coil.parts import coil, model

FULL = {
    "capacitor_peak_v": 30_000.0,
    "capacitor_rms_a": 180.0,
    "switch_drop_v": 1.2,
    "switch_slope_mohm": 0.8,
    "switch_dissipation_w": 250.0,
}
RATES = [1.0, 5.0, 40.0, 110.0, 220.0, 440.0, 880.0]


@pytest.mark.parametrize("limit_a", [1500.0, 2500.0, 4000.0])
@pytest.mark.parametrize("k", [0.08, 0.25])
@pytest.mark.parametrize("loss", [0.0, 0.08])
def test_no_case_passes_the_limit_at_the_lawful_on_time(
    limit_a: float, k: float, loss: float
) -> None:
    one = model({"current_limit_a": limit_a, "coupling": k, "loss_ohm": loss})
    allowed_a = current_allowed_a(one)
    assert allowed_a == pytest.approx(0.9 * limit_a)
    f = one.circuit.frequency_hz
    for rate_hz in (5.0, 440.0):
        on_s = longest_at(one, rate_hz, 400.0).on_time_us * 1e-6
        on_s += 0.5 / f  # the driver ends at the next zero crossing
        for detuned, q in ((1.0, math.inf), (1.0, 8.0), (0.88, math.inf), (1.12, 30.0),
                           (1.0, 1e-3)):  # fmt: skip
            bang = simulate(
                replace(one.circuit, resistance_ohm=loss),
                SecondaryCircuit(detuned * f, k, load_quality=q),
                square_v=650 * 1.1, on_s=on_s, after_s=10 / f,
            )  # fmt: skip
            assert bang.peak_a <= allowed_a
    # ... and not out of mere timidity: the struck one, met by the tenth that the bang before may
    # leave, comes near it.
    on_s = longest_at(one, 1.0, 400.0).on_time_us * 1e-6 + 0.5 / f
    struck = SecondaryCircuit(f, k, own_quality=1e6).struck()
    before = (RESIDUAL * allowed_a, -k * RESIDUAL * allowed_a, 0.0, 0.0)
    peak = simulate(one.circuit, struck, square_v=715, on_s=on_s, start=before).peak_a
    assert peak <= allowed_a
    assert peak > 0.85 * allowed_a or loss > 0


@pytest.mark.parametrize(
    ("tank", "supply", "reason"),
    [
        ({}, {}, Reason.CURRENT),
        ({"capacitor_peak_v": 12_000.0}, {}, Reason.TANK_VOLTAGE),
        ({"measured_to_us": 31.0}, {}, Reason.MEASURED),
        ({}, {"bus_capacitance_uf": 100.0}, Reason.DROOP),
    ],
)
def test_what_bounds_a_single_bang_is_named(
    tank: dict[str, float], supply: dict[str, float], reason: Reason
) -> None:
    one = model(tank, supply)
    longest = at_any_rate(one)[0]
    assert longest.reason is reason
    worst, on_s = one.worst, longest.on_time_us * 1e-6
    at_the_edge = {
        Reason.CURRENT: (worst.current_a(on_s), 4050.0),
        Reason.TANK_VOLTAGE: (worst.tank_v(on_s), 12_000.0),
        Reason.MEASURED: (longest.on_time_us, 31.0),
        # ½·C·(V² − (0.9·V)²): energy of a capacitor
        Reason.DROOP: (worst.energy_j(on_s), 0.5 * 100e-6 * 650**2 * 0.19),
    }[reason]
    assert at_the_edge[0] == pytest.approx(at_the_edge[1], rel=1e-3)
    assert most_rate_hz(one, longest.on_time_us + 0.1) == (0.0, reason)
    assert most_rate_hz(one, longest.on_time_us - 0.1)[0] > 0


@pytest.mark.parametrize(
    ("tank", "supply", "reason"),
    [
        ({}, {"recharge_w": 4000.0}, Reason.RECHARGE),
        ({"capacitor_rms_a": 40.0}, {"recharge_w": None}, Reason.CAPACITOR),
        (
            FULL | {"capacitor_rms_a": None, "switch_dissipation_w": 20.0},
            {"recharge_w": None},
            Reason.SWITCHES,
        ),
    ],
)
def test_what_bounds_a_train_is_named_and_kept(
    tank: dict[str, float], supply: dict[str, float | None], reason: Reason
) -> None:
    one = model(tank, supply)
    longest = longest_at(one, 300.0, 80.0)
    assert longest.reason is reason
    on_s = longest.on_time_us * 1e-6
    used = {
        Reason.RECHARGE: 300 * one.from_rest.energy_j(on_s) / 4000,
        Reason.CAPACITOR: math.sqrt(300 * one.from_rest.square_a2s(on_s) / 2) / 40,
        Reason.SWITCHES: 300 * switch_energy_j(one, on_s) / 20,
    }[reason]
    assert 0.98 < used <= 1


def test_the_switches_dissipation_is_the_models_integral() -> None:
    # Against sums over the wave itself: ½·Σ (drop·|i| + slope·i²)·dt over ring-up and its mirror.
    one = model(FULL)
    on_s = 60e-6
    whole_s = on_s + one.worst.extra_s
    alone = one.worst.alone
    count = 40_000
    step = whole_s / count
    total = 0.0
    for index in range(count):
        t = (index + 0.5) * step
        i = abs(alone.current_a(t) * math.sin(2 * math.pi * 110e3 * t))
        total += (1.2 * i + 0.8e-3 * i * i) * step
    assert switch_energy_j(one, on_s) == pytest.approx(0.5 * 2 * total, rel=0.02)


def test_switching_loss_is_told_energy_a_cycle_at_the_waves_peak() -> None:
    told = {"switch_energy_mj": 9.0, "switch_energy_at_a": 600.0}
    one, without = model(FULL | told), model(FULL)
    alone = one.worst.alone
    f = 110e3 / math.sqrt(1 - 0.15)  # the faster of two coupled modes (textbook)
    on_s = 7 / f - one.worst.extra_s
    # Summed cycle by cycle over the pulse; nothing in the ring-down.
    summed = sum(9e-3 * alone.current_a((n + 0.5) / f) / 600 for n in range(7))
    assert switching_j(one, on_s) == pytest.approx(summed, rel=0.005)
    assert switching_j(without, on_s) == 0.0
    assert switch_energy_j(one, on_s) == pytest.approx(
        switch_energy_j(without, on_s) + switching_j(one, on_s)
    )
    hot = {"switch_dissipation_w": 20.0}
    assert (
        most_rate_hz(model(FULL | told | hot), 60.0)[0] < most_rate_hz(model(FULL | hot), 60.0)[0]
    )


def test_a_long_ring_down_heats_as_a_shorted_tank_does() -> None:
    # A tank that a bridge shorts, with loss: ∫ of i and i² over the model's own wave, to a tenth
    # and on, against what a told ring-down is granted.
    one = model({"loss_ohm": 0.25, "loaded_ohm": None, "coupling": 0.0})
    tank, on_s = one.circuit, 60e-6
    to_a_tenth_s = 2 * tank.inductance_h / 0.25 * math.log(10)  # envelope e^(−R·t/2L), textbook
    up = simulate(tank, None, square_v=715, on_s=on_s)
    rung = simulate(tank, None, square_v=715, on_s=on_s, after_s=3 * to_a_tenth_s)
    after_a2s = 2 * (rung.dissipated_j - up.dissipated_j) / 0.25  # ∫ of the envelope squared
    told = model({"loss_ohm": 0.25, "loaded_ohm": None, "coupling": 0.0,
                  "ring_down_us": to_a_tenth_s * 1e6}).from_rest  # fmt: skip
    assert told.square_a2s(on_s) - one.from_rest.square_a2s(on_s) / 2 >= after_a2s
    shorter = replace(told, ring_down_s=1e-6)  # then the diodes' way is the worse one
    assert shorter.square_a2s(on_s) == one.from_rest.square_a2s(on_s)
    assert shorter.charge_as(on_s) == one.from_rest.charge_as(on_s)
    assert told.charge_as(on_s) > 1.5 * one.from_rest.charge_as(on_s)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(500, 6000), st.floats(0, 0.4), st.floats(0, 0.5), st.floats(500, 30_000),
    st.floats(1.0, 1.5),
)  # fmt: skip
def test_it_is_monotonic(limit: float, loss: float, k: float, watts: float, more: float) -> None:
    tank = {"current_limit_a": limit, "loss_ohm": loss, "loaded_ohm": None, "coupling": k}
    curve = [p[1].on_time_us for p in lawful_curve(model(tank, {"recharge_w": watts}), RATES, 400)]
    for low, high in pairwise(curve):
        assert high <= low + 0.02  # a faster train is never longer
    slack = 0.03

    def compare(tank_more: dict[str, float], supply_more: dict[str, float], sign: int) -> None:
        other = model(tank | tank_more, {"recharge_w": watts} | supply_more)
        for (_, a), b in zip(lawful_curve(other, RATES, 400), curve, strict=True):
            assert sign * (a.on_time_us - b) >= -slack

    compare({"current_limit_a": limit * more}, {}, +1)
    compare({}, {"recharge_w": watts * more}, +1)
    compare({}, {"bus_voltage_v": 650 * more}, -1)
    compare({"coupling": min(0.6, k * more)}, {}, -1)
    compare({"measured_to_us": 50.0}, {}, -1)
    compare({"ring_down_us": 150.0 * more}, {}, -1)
    compare({"capacitor_rms_a": 60.0, "ring_down_us": 500.0}, {}, -1)


def test_the_governors_table_is_on_the_cautious_side_of_the_curve() -> None:
    one = model(FULL)
    curves = CoilCurves(one, 80.0)
    for rate in [1.0, 3.3, 41.2, 77.7, 110.0, 333.3, 440.0, 1234.5]:
        exact = longest_at(one, rate, 80.0).on_time_us
        assert exact - 2 * STEP_US - 0.05 <= curves.longest_at_us(rate) <= exact + 0.011
    for on_us in [0.1, 5.0, 20.13, 44.4, 79.9]:
        energy = one.from_rest.energy_j(on_us * 1e-6)
        above = one.from_rest.energy_j((on_us + 0.26) * 1e-6)
        assert energy <= curves.most_energy_j(on_us) <= above
        assert curves.most_rate_hz(on_us) <= most_rate_hz(one, on_us)[0]
        assert curves.energy_j(on_us) == pytest.approx(
            one.expected.energy_j(on_us * 1e-6), rel=1e-3, abs=2e-3
        )
        if on_us > 5:
            assert curves.on_time_us(curves.energy_j(on_us)) == pytest.approx(on_us, abs=1e-6)
        assert curves.longest_for_us(energy) <= on_us
        # What the mains' law reckons changes of on-time with.
        assert on_us <= 4 or energy <= curves.slope_w * on_us * 1e-6 * 1.001
    assert curves.longest_at_us(1e9) == 0.0


def test_a_coil_without_tank_or_supply_has_no_curves() -> None:
    assert curves_of(coil(tank=None)) is not None
    assert curves_of(coil().model_copy(update={"tank": None})) is None
    assert curves_of(coil().model_copy(update={"supply": None})) is None
