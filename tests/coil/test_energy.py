"""The bus against the capacitor's energy, and the arc's rule of thumb."""

from __future__ import annotations

import math

import pytest

from bridge.coil.energy import (
    bangs_per_second,
    droop_share,
    most_energy_j,
    recharge_s,
    stored_j,
    voltage_after_v,
)
from bridge.coil.spark import arc_length_m, arc_of_bangs_m


def test_droop_is_what_the_capacitor_loses() -> None:
    # ½·C·V²: 10 mF at 650 V hold 2112.5 J
    assert stored_j(10e-3, 650) == pytest.approx(2112.5)
    after = voltage_after_v(10e-3, 650, 43.3)
    assert stored_j(10e-3, 650) - stored_j(10e-3, after) == pytest.approx(43.3)
    assert droop_share(10e-3, 650, most_energy_j(10e-3, 650, 0.07)) == pytest.approx(0.07)
    assert voltage_after_v(10e-6, 650, 43.3) == 0.0  # it does not hold so much


def test_rate_and_recharge_are_each_others_inverse() -> None:
    assert recharge_s(43.3, 7200) == pytest.approx(1 / bangs_per_second(7200, 43.3))
    assert bangs_per_second(7200, 0.0) == math.inf


def test_the_rule_of_thumb() -> None:
    # 1.7·√W inches (common practice, no source): 7.2 kW → 144 in = 12 ft
    assert arc_length_m(7200) / 0.0254 == pytest.approx(144, abs=0.5)
    assert arc_length_m(-1.0) == 0.0
    # The single bang is the floor: slower does not mean shorter.
    assert arc_of_bangs_m(43, 1) == arc_of_bangs_m(43, 120)
    assert arc_of_bangs_m(43, 240) > arc_of_bangs_m(43, 120)
