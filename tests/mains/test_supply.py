"""From bangs to amperes, and the continuous-load rule."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pydantic import ValidationError

from bridge.config_power import Mains, System
from bridge.mains.supply import (
    MainsPrice,
    bus_power_w,
    neutral_share,
    supply_current_a,
    volts_for_line_current,
)


def test_current_and_power_are_each_others_inverse() -> None:
    assert supply_current_a(7200, 240) == pytest.approx(30.0)
    assert supply_current_a(7200, 240, 0.65, 0.9) == pytest.approx(30 / 0.585)
    assert bus_power_w(supply_current_a(5000, 230, 0.7, 0.9), 230, 0.7, 0.9) == pytest.approx(5000)


def test_a_joule_is_priced_on_high_mains() -> None:
    # Energies are reckoned with the mains 10 % high (1.21 times), and so is the voltage.
    price = MainsPrice.of("single", 240, (1,), 0.65, 0.9).ampere_seconds_per_j
    assert price * 1.21 == pytest.approx(1.1 * supply_current_a(1.0, 240, 0.65, 0.9))


@pytest.mark.parametrize(("breaker", "most"), [(15, 12), (20, 16), (32, 25.6), (50, 40), (100, 80)])
def test_the_continuous_rule_of_the_nec(breaker: float, most: float) -> None:
    # NEC 210.20(A), 215.3: at most 80 % for 3 h and more
    assert Mains(voltage_v=240.0, breaker_a=breaker).allowed_a == pytest.approx(most)
    Mains(voltage_v=240.0, breaker_a=breaker, budget_a=most)
    with pytest.raises(ValidationError, match=f"at most {most:g} is allowed"):
        Mains(voltage_v=240.0, breaker_a=breaker, budget_a=most + 0.1)


LINE_V = {  # from neutral, as waves of unit amplitude: what the three systems are
    "single": [np.sin],
    "split": [np.sin, lambda a: -np.sin(a)],
    "three": [lambda a, n=n: np.sin(a - n * 2 * math.pi / 3) for n in range(3)],
}


@pytest.mark.parametrize(
    ("system", "lines"),
    [("single", (1,)), ("split", (1,)), ("split", (1, 2)), ("three", (2,)), ("three", (1, 3)),
     ("three", (1, 2, 3))],
)  # fmt: skip
def test_the_current_of_each_line_is_that_of_the_waves(
    system: System, lines: tuple[int, ...]
) -> None:
    # From the waves themselves: resistors between the named conductors, power and RMS by sums.
    angle = np.linspace(0, 2 * np.pi, 6000, endpoint=False)
    phases = [wave(angle) for wave in LINE_V[system]]
    between = phases[0] - phases[1] if len(phases) > 1 else phases[0]
    scale = 400 / np.sqrt(np.mean(between**2))  # voltage_v: between lines
    mine = [scale * phases[n - 1] for n in lines]
    if len(mine) == 1:  # against neutral
        currents = [mine[0] / 10]
        power = np.mean(mine[0] * currents[0])
    elif len(mine) == 2:
        currents = [(mine[0] - mine[1]) / 10] * 2
        power = np.mean((mine[0] - mine[1]) * currents[0])
    else:  # a star of three
        currents = [v / 10 for v in mine]
        power = sum(np.mean(v * i) for v, i in zip(mine, currents, strict=True))
    for current in currents:
        rms_a = float(np.sqrt(np.mean(current**2)))
        assert power / volts_for_line_current(system, 400, lines) == pytest.approx(rms_a)


def test_twenty_two_kilowatts_on_three_lines_of_400_v_are_32_a() -> None:
    # IEC 61851-1 charging points: 22 kW = √3 · 400 V · 32 A, 7.4 kW on one line (from memory)
    assert supply_current_a(22_170, volts_for_line_current("three", 400, (1, 2, 3))) == (
        pytest.approx(32, abs=0.01)
    )
    assert supply_current_a(7_390, volts_for_line_current("three", 400, (2,))) == (
        pytest.approx(32, abs=0.01)
    )


def test_lines_that_are_not_there() -> None:
    for system, lines in (("single", (2,)), ("split", (1, 3)), ("three", ())):
        with pytest.raises(ValueError, match="has no lines"):
            volts_for_line_current(system, 240, lines)  # type: ignore[arg-type]


@pytest.mark.parametrize("width", [0.3, 0.8, 1.5, 2.2])
@pytest.mark.parametrize("on", [(1.0, 1.0, 1.0), (1.0, 0.4, 0.0), (1.0, 1.0, 0.0)])
def test_the_neutral_of_rectifiers(width: float, on: tuple[float, float, float]) -> None:
    # Pulses of this width (radians) at the crests of each line, summed on the neutral.
    angle = np.linspace(0, 2 * np.pi, 6000, endpoint=False)
    for system in ("split", "three"):
        waves = [w(angle) for w in LINE_V[system]]
        currents = [
            share * np.sign(w) * (np.abs(w) > math.cos(width / 2))
            for w, share in zip(waves, on, strict=False)
        ]
        line_a = max(float(np.sqrt(np.mean(i**2))) for i in currents)
        neutral_a = float(np.sqrt(np.mean(sum(currents) ** 2)))
        assert neutral_a <= line_a * neutral_share(system, len(waves)) * 1.001
        if system == "three" and on == (1.0, 1.0, 1.0) and width < 1:
            assert neutral_a == pytest.approx(math.sqrt(3) * line_a, rel=0.01)
