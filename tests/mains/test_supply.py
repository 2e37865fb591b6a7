"""From bangs to amperes, and the continuous-load rule."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from bridge.config_power import Mains
from bridge.mains.supply import MainsPrice, bus_power_w, supply_current_a


def test_current_and_power_are_each_others_inverse() -> None:
    assert supply_current_a(7200, 240) == pytest.approx(30.0)
    assert supply_current_a(7200, 240, 0.65, 0.9) == pytest.approx(30 / 0.585)
    assert bus_power_w(supply_current_a(5000, 230, 0.7, 0.9), 230, 0.7, 0.9) == pytest.approx(5000)


def test_a_joule_is_priced_on_high_mains() -> None:
    # Energies are reckoned with the mains 10 % high (1.21 times), and so is the voltage.
    price = MainsPrice.of(240, 0.65, 0.9).ampere_seconds_per_j
    assert price * 1.21 == pytest.approx(1.1 * supply_current_a(1.0, 240, 0.65, 0.9))


@pytest.mark.parametrize(("breaker", "most"), [(15, 12), (20, 16), (32, 25.6), (50, 40), (100, 80)])
def test_the_continuous_rule_of_the_nec(breaker: float, most: float) -> None:
    # NEC 210.20(A), 215.3: at most 80 % for 3 h and more
    assert Mains(voltage_v=240.0, breaker_a=breaker).allowed_a == pytest.approx(most)
    Mains(voltage_v=240.0, breaker_a=breaker, budget_a=most)
    with pytest.raises(ValidationError, match=f"at most {most:g} is allowed"):
        Mains(voltage_v=240.0, breaker_a=breaker, budget_a=most + 0.1)
