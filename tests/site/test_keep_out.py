"""The keep-out distance stands on what the coil can do; no music makes it shorter."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.coil.curves import curves_of
from bridge.coil.model import model_of
from bridge.coil.spark import arc_length_m
from bridge.config_power import Audience
from bridge.report.site_report import SiteReport, site_report
from bridge.site.keep_out import estimated_arc_m, keep_out
from bridge.site.played_set import PlayedSet
from tests.chain.rig import INPUT, armed, note_on
from tests.coil.parts import coil
from tests.governor.mains_rig import two_coils


def audience(**changes: Any) -> Audience:
    return Audience(nearest_m=20.0, operator_m=12.0, **changes)


def test_a_5_hz_drum_piece_and_a_full_chord_keep_out_alike() -> None:
    # The very same coil, limited to what either piece plays: the single bang alone decides.
    drum = coil(max_break_rate_hz=10, duty_windows=[{"window_ms": 1000, "max_percent": 0.05}])
    chord = coil(max_break_rate_hz=1000)
    model = model_of(chord)
    assert model is not None
    single = arc_length_m(model.from_rest.energy_j(80e-6) * 120)
    for one in (drum, chord):
        assert keep_out(one, audience()).arc_m >= single * (1 - 1e-9)
    # A quiet piece at 5 Hz has a mean power that would say a third of it.
    assert arc_length_m(model.from_rest.energy_j(80e-6) * 5) < 0.3 * single


def played(notes: list[tuple[int, int]], every_s: float) -> tuple[SiteReport, float]:
    """A site that plays this for 4 s, as its report stands on the pulses; their mean rate."""
    config = two_coils({})
    config = config.model_copy(
        update={"site": config.site.model_copy(update={"audience": audience()})}
    )
    playing = armed(config)
    for _ in range(round(4 / every_s)):
        for channel, note in notes:
            playing.midi(INPUT, note_on(note, 127, channel))
        playing.run_for(every_s)
    seconds: dict[str, dict[int, list[float]]] = {}
    for name, pulses in playing.take_pulses().items():
        by_second = seconds.setdefault(name, {})
        for pulse in pulses:
            by_second.setdefault(int(pulse.start_s), []).append(pulse.on_s * 1e6)
    last = max(second for by in seconds.values() for second in by)
    count = sum(len(ons) for by in seconds.values() for ons in by.values())
    return site_report(config, PlayedSet(last + 1, seconds)), count / 4


def test_what_is_really_played_moves_the_dose_and_not_the_distance() -> None:
    drum, drum_hz = played([(10, 36)], 0.2)
    chord, chord_hz = played([(3, n) for n in (45, 52, 57, 60, 64)], 4.0)
    assert chord_hz > 3 * drum_hz
    assert drum.zones == chord.zones
    loud, soft = chord.places[0].dose.equivalent_db, drum.places[0].dose.equivalent_db
    assert loud > soft + 2


@pytest.mark.parametrize(
    ("measured", "floor", "source"),
    [
        (9.5, 3.0, "the longest arc measured"),
        (0.5, 3.0, "the rule of thumb at the highest lawful energy and rate"),
        (None, 3.0, "the rule of thumb at the highest lawful energy and rate"),
        (0.5, 12.0, "the floor set for the site"),
    ],
)
def test_the_largest_of_three_counts(measured: float | None, floor: float, source: str) -> None:
    one = keep_out(
        coil({"longest_measured_arc_m": measured}),
        audience(keep_out_floor_m=floor, keep_out_margin_percent=100.0),
    )
    assert one.source == source
    assert one.estimated_arc_m is not None
    assert one.arc_m == max(measured or 0, floor, one.estimated_arc_m)
    assert one.distance_m == pytest.approx(2 * one.arc_m)


def test_without_tank_data_floor_and_measurement_remain() -> None:
    bare = coil().model_copy(update={"tank": None})
    zone = keep_out(bare, None)
    assert zone.estimated_arc_m is None
    assert (zone.arc_m, zone.margin_percent) == (3.0, 50.0)


@settings(max_examples=40, deadline=None)
@given(st.floats(20, 80), st.floats(1.0, 1.5), st.integers(50, 900), st.floats(0.3, 1.4))
def test_more_is_never_nearer(on_us: float, more: float, rate: int, duty: float) -> None:
    def arc(**changes: Any) -> float:
        values: dict[str, Any] = {
            "max_on_time_us": on_us, "max_break_rate_hz": rate,
            "duty_windows": [{"window_ms": 1000, "max_percent": duty}],
        }  # fmt: skip
        one = coil(**values | changes)
        curves = curves_of(one)
        assert curves is not None
        return estimated_arc_m(one, curves)

    base = arc()
    slack = 0.99  # on-times are looked at every quarter of a µs
    assert arc(max_on_time_us=min(400, on_us * more)) >= base * slack
    assert arc(max_break_rate_hz=min(2000, int(rate * more) + 1)) >= base * slack
    assert arc(duty_windows=[{"window_ms": 1000, "max_percent": duty * more}]) >= base * slack
