"""The bound on the current holds against every circuit that can be thought up, and is no wider than
it need be."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.coil.coupled import After, Bang, SecondaryCircuit, simulate
from bridge.coil.ring_up import RingUp
from bridge.coil.tank import TankCircuit, fundamental_v
from bridge.coil.worst_case import WorstCase

F = 110e3


def cases(tank: TankCircuit, k: float, on_s: float, bus_v: float) -> dict[str, Bang]:
    """Unloaded, loaded, detuned either way, struck; each at its worst over pulse and ring-down."""
    after_s = 12 / tank.frequency_hz
    on_s += 0.5 / tank.frequency_hz  # the driver ends at the next zero crossing
    f = tank.frequency_hz
    circuits = {
        "no breakout": SecondaryCircuit(f, k),
        "loaded": SecondaryCircuit(f, k, load_quality=8.0),
        "detuned down": SecondaryCircuit(0.85 * f, k),
        "detuned up": SecondaryCircuit(1.15 * f, k),
        "struck": SecondaryCircuit(f, k).struck(),
    }
    found: dict[str, Bang] = {}
    for name, circuit in circuits.items():
        runs = [
            simulate(tank, circuit, square_v=bus_v, on_s=on_s, after_s=after_s, drive_hz=drive_hz)
            for drive_hz in (None, f)
        ]
        found[name] = max(runs, key=lambda bang: bang.peak_a)
    return found


def test_a_reading_with_an_arc_hides_the_rest() -> None:
    # 2,000 A loaded is 3,059 A unloaded (the worked primary of test_trade_numbers.py).
    bare = WorstCase(TankCircuit.from_resonance(F, 8.5), 650, "full", 0.0, mains_high=1.0)
    on_s = 10 / F
    assert bare.current_a(on_s - bare.extra_s) == pytest.approx(3059, abs=1)
    whole = WorstCase(TankCircuit.from_resonance(F, 8.5), 650, "full", 0.2)
    assert whole.current_a(on_s) == pytest.approx(
        3059 * 1.1 / 0.96 * (10 + 0.606 * math.sqrt(1.2)) / 10, rel=1e-3
    )
    assert whole.current_a(whole.longest_s(2000.0)) == pytest.approx(2000)
    assert whole.tank_v(on_s) == pytest.approx(whole.current_a(on_s) * 8.5 * math.sqrt(0.96))


@pytest.mark.parametrize("seed", range(8))
def test_no_case_passes_the_bound_on_high_mains(seed: int) -> None:
    rng = random.Random(seed)
    k = rng.uniform(0.03, 0.35)
    tank = TankCircuit.from_resonance(
        F, rng.uniform(4, 30), rng.choice((0.0, rng.uniform(0.01, 0.5)))
    )
    bound = WorstCase(tank, 600, "full", k)
    on_s = rng.uniform(3, 22) / F
    for name, bang in cases(tank, k, on_s, 660.0).items():  # the mains 10 % high
        assert bang.peak_a <= bound.current_a(on_s), name
        assert bang.peak_v <= bound.tank_v(on_s) * 1.005, name
        assert bang.drawn_j <= bound.energy_j(on_s), name


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    st.floats(2, 60), st.floats(0, 0.3), st.floats(0, 0.4), st.floats(0.7, 1.4),
    st.sampled_from((math.inf, 50.0, 10.0, 3.0, 0.5, 1e-3)), st.floats(0.1, 25),
    st.sampled_from((None, 0.9, 1.0, 1.1)), st.sampled_from(list(After)),
)  # fmt: skip
def test_nothing_drawn_at_random_passes_it(  # noqa: PLR0917
    z: float, loss: float, k: float, detuned: float, q: float, cycles: float,
    drive: float | None, after: After,
) -> None:  # fmt: skip
    tank = TankCircuit.from_resonance(F, z, loss * z)
    bang = simulate(
        tank, SecondaryCircuit(F * detuned, k, 200.0, q), square_v=500, on_s=(cycles + 0.5) / F,
        after_s=6 / F, after=after, drive_hz=None if drive is None else drive * F,
        steps_a_cycle=48,
    )  # fmt: skip
    bound = WorstCase(tank, 500, "full", k, mains_high=1.0)
    assert bang.peak_a <= bound.current_a(cycles / F)
    assert bang.drawn_j <= bound.energy_j(cycles / F)


@pytest.mark.parametrize("seed", range(12))
def test_bang_after_bang_keeps_it_where_a_tenth_is_left(seed: int) -> None:
    # As soon as what rings is down to a tenth of the bound, the next bang begins, wherever the wave
    # happens to be; the driver takes up its phase, so all of it adds.
    rng = random.Random(seed)
    k = rng.uniform(0.05, 0.3)
    tank = TankCircuit.from_resonance(F, rng.uniform(5, 30), rng.uniform(0.01, 0.2))
    secondary = SecondaryCircuit(F * rng.uniform(0.88, 1.12), k, 150.0, rng.choice((20.0, 1e9)))
    after = rng.choice(list(After))
    bound = WorstCase(tank, 600, "full", k, mains_high=1.0, residual=0.1)
    on_s = rng.uniform(4, 16) / F
    most_j = 0.5 * bound.alone.inductance_h * (0.1 * bound.current_a(on_s)) ** 2
    state, met = (0.0, 0.0, 0.0, 0.0), 0
    for _ in range(4):
        off_s = rng.random() / F
        while True:
            bang = simulate(
                tank, secondary, square_v=600, on_s=on_s + 0.5 / F, after_s=off_s, after=after,
                steps_a_cycle=48, start=state,
            )  # fmt: skip
            if bang.stored_j <= most_j:
                break
            off_s += 2.3 / F
        assert bang.peak_a <= bound.current_a(on_s)
        assert bang.drawn_j <= bound.energy_j(on_s)
        state, met = bang.state, met + (bang.stored_j > 0.02 * most_j)
    assert met  # what was left was felt


def test_a_tenth_in_step_is_what_the_bound_grants() -> None:
    # Without loss a start in step with the drive only adds (superposition of a linear circuit).
    tank = TankCircuit.from_resonance(F, 8.5)
    bound = WorstCase(tank, 650, "full", 0.0, mains_high=1.0, residual=0.1)
    rest = WorstCase(tank, 650, "full", 0.0, mains_high=1.0)
    on_s = 10 / F
    assert bound.current_a(on_s) == pytest.approx(rest.current_a(on_s) / 0.9)
    start = (0.1 * bound.current_a(on_s), 0.0, 0.0, 0.0)
    peak = simulate(tank, None, square_v=650, on_s=on_s + 0.5 / F, start=start).peak_a
    assert 0.95 * bound.current_a(on_s) < peak <= bound.current_a(on_s)
    assert bound.longest_s(bound.current_a(on_s)) == pytest.approx(on_s)


def test_the_bound_is_not_wider_than_the_case_it_is_for() -> None:
    # Struck, without loss, driven on its resonance, half a cycle more than asked: that is it.
    tank = TankCircuit.from_resonance(F, 8.5)
    bound = WorstCase(tank, 650, "full", 0.2, mains_high=1.0)
    struck = SecondaryCircuit(F, 0.2, own_quality=1e6).struck()
    for cycles in (5, 10, 20):
        bang = simulate(tank, struck, square_v=650, on_s=(cycles + 0.5) / F)
        assert bang.peak_a > 0.9 * bound.current_a(cycles / F)


def test_ring_down_into_the_bus_is_no_longer_than_the_ring_up() -> None:
    # What charge_as and square_a2s double: measured on the model, with and without loss.
    for resistance in (0.0, 0.2, 0.6):
        tank = TankCircuit.from_resonance(F, 8.5, resistance)
        on_s = 15 / F
        up = simulate(tank, None, square_v=650, on_s=on_s, steps_a_cycle=200)
        both = simulate(tank, None, square_v=650, on_s=on_s, after_s=2 * on_s,
                        after=After.RETURNS, steps_a_cycle=200)  # fmt: skip
        if resistance:
            assert both.dissipated_j <= 2.02 * up.dissipated_j
        else:
            assert both.returned_j == pytest.approx(both.drawn_j, rel=0.03)
        bound = WorstCase(tank, 650, "full", 0.0, mains_high=1.0)
        assert 0.5 * resistance * bound.square_a2s(on_s) >= both.dissipated_j * 0.98


@settings(max_examples=100, deadline=None)
@given(st.floats(2, 60), st.floats(0, 0.5), st.floats(0, 0.5), st.floats(1e-6, 4e-4))
def test_it_is_monotonic_and_never_below_the_primary_alone(
    z: float, loss: float, k: float, on_s: float
) -> None:
    tank = TankCircuit.from_resonance(F, z, loss * z)
    bound = WorstCase(tank, 500, "full", k)
    alone = RingUp(fundamental_v(550, "full"), tank.inductance_h, tank.resistance_ohm)
    assert bound.current_a(on_s) > alone.current_a(on_s)
    assert bound.energy_j(on_s) >= alone.energy_j(on_s) * (1 - 1e-9)
    for what in (bound.current_a, bound.energy_j, bound.square_a2s, bound.charge_as):
        assert what(on_s * 1.01) > what(on_s)
    assert bound.longest_s(bound.current_a(on_s)) == pytest.approx(on_s, rel=1e-6)
