"""Levels and doses against NIOSH 98-126, OSHA 29 CFR 1910.95 and the inverse-square law."""

from __future__ import annotations

import math

import pytest

from bridge.site.sound import (
    at_distance_db,
    at_power_db,
    dose,
    niosh_time_s,
    osha_time_s,
    sum_db,
)
from bridge.timeline import speed_of_sound_m_s

HOUR_S = 3600.0


@pytest.mark.parametrize(
    ("level", "seconds"),
    [(85, 8 * HOUR_S), (88, 4 * HOUR_S), (91, 2 * HOUR_S), (94, HOUR_S), (97, 1800), (100, 900),
     (115, 28)],
)  # fmt: skip
def test_the_table_of_niosh(level: float, seconds: float) -> None:
    assert niosh_time_s(level) == pytest.approx(seconds, rel=0.01)  # 98-126; 28.1 s


@pytest.mark.parametrize(
    ("level", "hours"),
    [(90, 8), (92, 6), (95, 4), (97, 3), (100, 2), (102, 1.5), (105, 1), (110, 0.5), (115, 0.25)],
)
def test_table_g_16_of_osha(level: float, hours: float) -> None:
    # The table rounds: 92 dB is 6.06 h, 97 dB 3.03 h, 102 dB 1.52 h
    assert osha_time_s(level) / HOUR_S == pytest.approx(hours, rel=0.016)


def test_the_example_of_oshas_appendix_a() -> None:
    # 8 h at 92 dB, T = 6.1 h → 131 % (29 CFR 1910.95, appendix A)
    assert dose([(8 * HOUR_S, 92.0)]).osha_percent == pytest.approx(131, abs=1.2)


def test_doses_add_up_and_quiet_does_not_count() -> None:
    two = dose([(2 * HOUR_S, 91.0), (HOUR_S, 94.0), (5 * HOUR_S, 79.9)])
    assert two.niosh_percent == pytest.approx(200.0)
    assert two.seconds == 8 * HOUR_S
    assert two.loudest_db == 94.0
    assert dose([(HOUR_S, 79.9)]).niosh_percent == 0.0
    assert dose([(HOUR_S, 80.0)]).niosh_percent > 0.0
    assert dose([(900, 100.0)]).equivalent_db == pytest.approx(100.0)
    assert dose([]).equivalent_db == -math.inf


def test_level_and_distance() -> None:
    # −6.02 dB a doubling (inverse-square law)
    assert at_distance_db(100, 3, 6) == pytest.approx(100 - 6.02, abs=0.005)
    assert at_distance_db(115, 3, 30) == pytest.approx(95)
    assert at_power_db(100, 0.5) == pytest.approx(96.99, abs=0.005)
    assert at_power_db(100, 0.0) == -math.inf
    assert sum_db([90, 90]) == pytest.approx(93.01, abs=0.005)
    assert sum_db([]) == -math.inf


@pytest.mark.parametrize(("celsius", "metres"), [(0, 331.3), (5, 334.3), (20, 343.2)])
def test_the_speed_of_sound_in_dry_air(celsius: float, metres: float) -> None:
    assert speed_of_sound_m_s(celsius) == pytest.approx(metres, abs=0.06)  # handbook
