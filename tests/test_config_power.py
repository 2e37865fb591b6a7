"""[coil.tank], [coil.supply], [site.mains], [site.audience]: bounds, sense, and what is refused."""

from __future__ import annotations

import re
from typing import Any

import pytest

from bridge.coil.checks import power_problems, unprotected
from bridge.config import Coil, Config, Site, parse_config
from bridge.config_check import config_problems
from bridge.config_errors import ConfigError
from bridge.config_power import Audience, Mains, Supply, Tank
from tests.site_text import changed, site

ANCHOR = "distance_to_audience_m = 24\n"
TANK = """[coil.tank]
resonant_frequency_khz = 110
impedance_ohm = 8.5
loaded_ohm = 0.249
coupling = 0.15
current_limit_a = 9000
"""
SUPPLY = """[coil.supply]
bus_voltage_v = 650
bus_capacitance_uf = 12000
recharge_w = 80000
"""
SITE_ANCHOR = "idle_disarm_s = 300\n"
MAINS = """[site.mains]
voltage_v = 240
breaker_a = 50
"""
AUDIENCE = """[site.audience]
nearest_m = 20
operator_m = 19
"""


def whole(*swaps: tuple[str, str]) -> Config:
    text = changed(
        (ANCHOR, ANCHOR + TANK + SUPPLY), (SITE_ANCHOR, SITE_ANCHOR + MAINS + AUDIENCE),
        ("max_percent = 6 }]\nmax_voices", "max_percent = 6 }]\nmax_voices"),
    )  # fmt: skip
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new, 1)
    return parse_config(text, "depot.toml")


def test_sections_that_fit_are_taken() -> None:
    config = whole()
    assert config_problems(config) == []
    assert config.coil[0].tank is not None
    assert config.coil[1].tank is None


# key, a value just inside, a value just outside
BOUNDS: dict[type[Any], list[tuple[str, Any, Any]]] = {
    Tank: [
        ("inductance_uh", 1000, 1000.1), ("inductance_uh", 0.01, 0), ("capacitance_nf", 1, 0),
        ("capacitance_nf", 100_000, 100_001), ("resonant_frequency_khz", 5, 4.9),
        ("resonant_frequency_khz", 2000, 2001), ("impedance_ohm", 1000, 1001),
        ("impedance_ohm", 0.1, 0), ("loss_ohm", 0, -0.1), ("loss_ohm", 100, 101),
        ("loaded_ohm", 100, 101), ("loaded_ohm", 0, -1), ("coupling", 0.6, 0.61),
        ("coupling", 0, -0.1), ("secondary_frequency_khz", 5, 4), ("current_limit_a", 1, 0),
        ("secondary_frequency_khz", 2000, 2001), ("current_limit_a", 100_000, 100_001),
        ("current_margin_percent", 0, -1), ("current_margin_percent", 90, 91),
        ("measured_to_us", 400, 401), ("measured_to_us", 1, 0), ("capacitor_peak_v", 1, 0),
        ("capacitor_peak_v", 1e6, 1.1e6), ("capacitor_rms_a", 1, 0),
        ("capacitor_rms_a", 10_000, 10_001), ("switch_drop_v", 20, 21), ("switch_drop_v", 0, -1),
        ("switch_slope_mohm", 1000, 1001), ("switch_slope_mohm", 0, -1),
        ("switch_dissipation_w", 10_000, 10_001), ("switch_dissipation_w", 1, 0),
        ("longest_measured_arc_m", 50, 51), ("longest_measured_arc_m", 1, 0),
        ("ring_down_us", 20_000, 20_001), ("ring_down_us", 1, 0), ("switch_energy_mj", 10_000,
        10_001), ("switch_energy_mj", 1, 0), ("switch_energy_at_a", 100_000, 100_001),
        ("switch_energy_at_a", 1, 0),
    ],
    Supply: [
        ("bus_voltage_v", 10_000, 10_001), ("bus_voltage_v", 1, 0), ("bus_capacitance_uf", 1, 0),
        ("bus_capacitance_uf", 1e6, 1.1e6), ("max_droop_percent", 50, 51), ("recharge_w", 1, 0),
        ("max_droop_percent", 1, 0), ("recharge_w", 1e6, 1.1e6), ("power_factor", 0.21, 0.2),
        ("power_factor", 1, 1.01), ("efficiency", 0.21, 0.2), ("efficiency", 1, 1.01),
        ("precharge_ohm", 10_000, 10_001), ("precharge_ohm", 1, 0), ("lines", (1, 2, 3), ()),
        ("lines", (3,), (4,)),
    ],
    Mains: [
        ("voltage_v", 90, 89), ("voltage_v", 500, 501), ("breaker_a", 125, 126),
        ("breaker_a", 1, 0), ("continuous_percent", 100, 101), ("continuous_percent", 1, 0),
        ("budget_a", 1, 0), ("budget_a", 12, 126), ("averaging_s", 5, 4.9),
        ("averaging_s", 600, 601), ("other_load_a", 0, -1), ("other_load_a", 1, 126),
    ],
    Audience: [
        ("nearest_m", 1, 0), ("nearest_m", 500, 501), ("operator_m", 1, 0),
        ("operator_m", 500, 501), ("measured_level_db", 40, 39), ("measured_level_db", 150, 151),
        ("measured_at_m", 1, 0), ("measured_at_m", 500, 501), ("set_minutes", 1, 0),
        ("set_minutes", 1440, 1441), ("keep_out_floor_m", 0, -1), ("keep_out_floor_m", 500, 501),
        ("keep_out_margin_percent", 0, -1), ("keep_out_margin_percent", 1000, 1001),
    ],
}  # fmt: skip
BASE: dict[type[Any], dict[str, Any]] = {
    Tank: {"inductance_uh": 12.0, "capacitance_nf": 170.0, "current_limit_a": 3000.0,
           "switch_drop_v": 1.0},
    Supply: {"bus_voltage_v": 650.0},
    Mains: {"voltage_v": 240.0, "breaker_a": 16.0, "continuous_percent": 80.0},
    Audience: {"nearest_m": 20.0, "operator_m": 20.0},
}  # fmt: skip


def built(model: type[Any], key: str, value: Any) -> None:
    values = dict(BASE[model])
    if key in ("resonant_frequency_khz", "impedance_ohm"):
        del values["inductance_uh"], values["capacitance_nf"]
        values |= {"resonant_frequency_khz": 100.0, "impedance_ohm": 8.0}
    if key in ("switch_energy_mj", "switch_energy_at_a"):
        values |= {"switch_energy_mj": 9.0, "switch_energy_at_a": 600.0}
    model.model_validate(values | {key: value})


@pytest.mark.parametrize(
    ("model", "key", "inside", "outside"),
    [(model, *row) for model, rows in BOUNDS.items() for row in rows],
)
def test_each_bound(model: type[Any], key: str, inside: Any, outside: Any) -> None:
    built(model, key, inside)
    with pytest.raises(ValueError, match=key):
        built(model, key, outside)


def test_no_bounded_key_is_missing_from_the_table() -> None:
    for model, rows in BOUNDS.items():
        bounded = {
            name
            for name, field in model.model_fields.items()
            if any(type(m).__name__ != "Strict" for m in field.metadata)
        }
        tried = {name for name, _, _ in rows}
        assert bounded <= tried
        optional = {n for n, f in model.model_fields.items() if f.annotation == (float | None)}
        assert optional <= tried


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("impedance_ohm = 8.5\n", "", "either inductance_uh and capacitance_nf, or"),
        ("impedance_ohm = 8.5\n", "impedance_ohm = 8.5\ninductance_uh = 12\n", "either inductance"),
        ("loaded_ohm = 0.249", "loaded_ohm = 0.1\nloss_ohm = 0.2", "loaded_ohm (0.1) is below"),
        ("coupling = 0.15", "switch_dissipation_w = 90", "needs switch_drop_v or switch_slope"),
        ("coupling = 0.15", "switch_energy_mj = 9", "and switch_energy_at_a belong together"),
        ("breaker_a = 50", "breaker_a = 50\nbudget_a = 41", "at most 40 is allowed"),
        ("breaker_a = 50", "breaker_a = 50\nother_load_a = 40", "leaves nothing of the budget"),
        ("coupling = 0.15", "inductivity = 3", "coil[1].tank.inductivity"),
        ("voltage_v = 240\n", 'voltage_v = "240"\n', "site.mains.voltage_v"),
        ("voltage_v = 240\n", 'voltage_v = 240\nsystem = "delta"\n', "site.mains.system"),
        ("bus_voltage_v = 650", "bus_voltage_v = 650\nlines = [1, 1]", "the same line twice"),
        ("bus_voltage_v = 650", "bus_voltage_v = 650\nlines = [4]", "supply.lines"),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_place(old: str, new: str, said: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(said)):
        whole((old, new))


REFUSED = [
    ("current_limit_a = 9000", "current_limit_a = 3600", r"max_on_time_us: 180 reaches (\d+) A "
     r"where 3240 A are allowed .* at most ([\d.]+)$"),
    ("coupling = 0.15", "measured_to_us = 150", r"max_on_time_us: 180 is beyond tank.measured_to_us"
     r" = 150; .* at most (150)$"),
    ("coupling = 0.15", "capacitor_peak_v = 50000", r"max_on_time_us: 180 puts (\d+) V on .* at "
     r"most ([\d.]+)$"),
    ("_uf = 12000", "_uf = 5000", r"max_on_time_us: 180 draws [\d.]+ J .* at most ([\d.]+)$"),
    ("recharge_w = 80000", "recharge_w = 15600", r"duty_windows\[1\].max_percent: 4 % of the "
     r"longest pulses is 222 bangs a second .* at most ([\d.]+)$"),
    ("recharge_w = 80000", "recharge_w = 15600", r"on_time_curve\[2\].max_on_time_us: 140 at 220 "
     r"Hz is beyond recharging the bus; at most ([\d.]+)$"),
    ("coupling = 0.15", "ring_down_us = 500", r"min_off_time_us: 500 ends before a bang has rung "
     r"down to a tenth .* at least (507)$"),
    ("bus_voltage_v = 650", "bus_voltage_v = 650\nlines = [2, 3]", r"supply.lines: \[2, 3\] where "
     r'site.mains.system = "single" has \[1\]()$'),
    ("nearest_m = 20", "nearest_m = 4", r"site.audience.nearest_m: 4 is inside the keep-out "
     r'distance of "Larkspur" .* at least ([\d.]+)$'),
    ("operator_m = 19", "operator_m = 4", r"site.audience.operator_m: 4 is inside .* at least "
     r"([\d.]+)$"),
    ("_m = 24\n", "_m = 4\n", r"distance_to_audience_m: 4 is inside .* at least ([\d.]+)$"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "pattern"), REFUSED)
def test_a_limit_beyond_the_computed_figure_is_refused_with_it(
    old: str, new: str, pattern: str
) -> None:
    problems = power_problems(whole((old, new)))
    matches = [m for p in problems if (m := re.search(pattern, p))]
    assert len(matches) == 1, problems
    assert set(problems) <= set(config_problems(whole((old, new))))


def test_the_figure_it_names_is_accepted() -> None:
    swaps = [("current_limit_a = 9000", "current_limit_a = 3600")]
    (problem,) = power_problems(whole(*swaps))
    most = problem.rsplit(" ", 1)[1]
    text = [
        *swaps, ("\nmax_on_time_us = 180", f"\nmax_on_time_us = {most}"),
        ("_hz = 80, max_on_time_us = 180", f"_hz = 80, max_on_time_us = {most}"),
        ("_hz = 220, max_on_time_us = 140", f"_hz = 220, max_on_time_us = {most}"),
    ]  # fmt: skip
    assert power_problems(whole(*text)) == []
    a_little = f"{float(most) + 0.2:g}"
    text[1] = ("\nmax_on_time_us = 180", f"\nmax_on_time_us = {a_little}")
    assert len(power_problems(whole(*text))) == 1


def test_what_is_missing_is_said() -> None:
    bare = unprotected(site())
    assert [line.split(":")[0] for line in bare] == [
        "Larkspur", "Foxglove", "no [site.mains]", "no [site.audience]",
    ]  # fmt: skip
    assert "no [coil.tank] and no [coil.supply]" in bare[0]
    told = "\n".join(unprotected(whole()))
    assert "does not count Foxglove" in told
    assert "Larkspur: no" not in told
    for key in ("measured_to_us", "capacitor_peak_v", "capacitor_rms_a", "switch_dissipation_w",
                "longest_measured_arc_m", "measured_level_db", "ring_down_us",
                "precharge_ohm"):  # fmt: skip
        assert f"{key}: not given" in told
    assert "bus_capacitance_uf: not given" not in told
    only_tank = changed((ANCHOR, ANCHOR + TANK))
    assert "Larkspur: no [coil.supply]" in "\n".join(
        unprotected(parse_config(only_tank, "depot.toml"))
    )


def test_the_sections_are_optional() -> None:
    for model, keys in ((Coil, ("tank", "supply")), (Site, ("mains", "audience"))):
        for key in keys:
            assert model.model_fields[key].default is None
