"""The budget's law by itself: random states commanded up to its edge, integrated independently."""

from __future__ import annotations

import itertools
import math
import random

import numpy as np
import pytest

from bridge.coil.curves import CoilCurves
from bridge.governor.governor import Governor
from bridge.governor.mains import budget_of
from bridge.governor.mains_budget import MainsBudget
from bridge.governor.power import Power
from bridge.governor.reasons import Limit
from bridge.mains.breaker import earliest
from bridge.mains.supply import MainsPrice
from bridge.music.voices import VoiceAsk
from tests.coil.parts import coil, model
from tests.governor.mains_rig import two_coils
from tests.governor.stage import ask

HOLD_S, LEASE_S = 0.06, 0.2


def budget(breaker_a: float = 16.0, averaging_s: float = 5.0, **changes: float) -> MainsBudget:
    curves = CoilCurves(model(), 80.0)
    price = MainsPrice.of("single", 240.0, (1,), 0.65, 0.9)
    return MainsBudget(
        budget_a=0.8 * breaker_a,
        other_load_a=changes.get("other_load_a", 0.0),
        averaging_s=averaging_s,
        breaker=earliest("iec60898", breaker_a, "C"),
        coils={"Larkspur": (curves, price, 1), "Foxglove": (curves, price, 1)},
        hold_s=HOLD_S,
        lease_s=LEASE_S,
    )


def most_lawful_a(one: MainsBudget, index: int, high_a: float) -> float:
    low_a = 0.0
    if one.excess_as(index, high_a, 0.0) <= 0:
        return high_a
    for _ in range(16):
        middle = (low_a + high_a) / 2
        if one.excess_as(index, middle, 0.0) <= 0:
            low_a = middle
        else:
            high_a = middle
    return low_a


@pytest.mark.parametrize("seed", range(12))
def test_states_at_the_edge_of_the_law_keep_budget_and_breaker(seed: int) -> None:
    rng = random.Random(seed)
    breaker_a, averaging_s = rng.choice((10.0, 32.0)), rng.choice((5.0, 20.0, 40.0))
    other_a = rng.choice((0.0, 0.1 * breaker_a))
    one = budget(breaker_a, averaging_s, other_load_a=other_a)
    now_s = 0.0
    states = [(0.0, 0.0), (0.0, 0.0)]
    seen: list[tuple[float, float]] = []  # (time, current from then on)
    while now_s < 2.5 * averaging_s:
        index = rng.randrange(2)
        one.advance(now_s)
        wanted_a = rng.choice((0.0, 0.5, 2.0, 2.4)) * breaker_a
        draw_a = most_lawful_a(one, index, wanted_a)
        one.command(index, draw_a, 0.0)
        # The cruellest wire: what raises comes at once, what falls comes H late.
        states[index] = (max(states[index][0] if rng.random() < 0.5 else 0.0, draw_a), draw_a)
        seen.append((now_s, states[0][0] + states[1][0]))
        now_s += rng.choice((0.02, 0.04, HOLD_S))
        states = [(b, b) for _, b in states]
    times = np.array([t for t, _ in seen])
    charges = np.array([a for _, a in seen][:-1]) * np.diff(times)
    total = np.concatenate([[0.0], np.cumsum(charges)])
    ends = np.interp(times + averaging_s, times, total)
    mean_a = (ends - total) / averaging_s
    assert mean_a.max() + other_a <= 0.8 * breaker_a
    assert mean_a.max() + other_a > 0.6 * 0.8 * breaker_a  # not by timidity
    theta = 0.0
    tau_s = 1.0 / math.log((2.55 / 1.13) ** 2 / ((2.55 / 1.13) ** 2 - 1))
    for (start, amperes), end in zip(seen, times[1:], strict=False):
        heat = ((amperes + other_a) / (1.13 * breaker_a)) ** 2
        theta = heat + (theta - heat) * math.exp(-(end - start) / tau_s)
        assert theta < 1  # the earliest breaker of IEC 60898-1
        assert amperes + other_a < 5 * breaker_a  # C: not at once


def test_a_long_averaging_time_leaves_the_breaker_to_its_thermal_model() -> None:
    # 10 min to average over would pay for a long burst; the breaker would not.
    one = budget(32.0, 600.0)
    one.advance(0.0)
    wanted_a = 3.0 * 32
    now_s, theta = 0.0, 0.0
    while now_s < 12.0:
        one.advance(now_s)
        one.command(0, most_lawful_a(one, 0, wanted_a), 0.0)
        now_s += 0.05
        theta = max(theta, one.theta)
    assert 0.8 < theta <= 0.901
    assert one.level_as < 0.7 * one.reserve_as  # it was not the average that held it


def test_what_falls_is_in_force_until_it_surely_is_not() -> None:
    one = budget()
    one.advance(0.0)
    one.command(0, 5.0, 0.0)
    one.advance(1.0)
    level = one.level_as
    one.command(0, 0.0, 0.0)
    one.advance(1.0 + HOLD_S / 2)
    steady = max(0.0, level + (5.0 - one.flow_a) * HOLD_S / 2)
    assert one.level_as == pytest.approx(steady)
    before = one.excess_as(1, 0.0, 0.0)
    assert before < one.excess_as(1, 0.0, 3.0)  # what is owed counts at once
    one.command(1, 0.0, 3.0)
    assert one.excess_as(1, 0.0, 0.0) == pytest.approx(before + 3.0)
    one.advance(1.0 + 3 * HOLD_S)
    assert one.level_as > 1.9  # and is posted


def test_every_state_of_the_last_h_counts_whoever_commanded_it() -> None:
    # Below the breaker's heat and with a full level, the law is one sum: level + owed + in flight +
    # (highest states - flow)·H + (new states - flow)·lease - reserve.
    def excess(index: int, commands: list[tuple[int, float]], draw_a: float) -> float:
        one = budget(63.0)
        one.advance(0.0)
        one.level_as = one.reserve_as
        for coil_index, amperes in commands:
            one.command(coil_index, amperes, 0.0)
        return one.excess_as(index, draw_a, 0.0)

    flow = budget(63.0).flow_a
    calm = excess(0, [], 0.0)
    assert excess(0, [], flow) == pytest.approx(calm)
    lately = excess(0, [(0, 2 * flow), (0, 0.0)], 0.0)  # its own last state
    assert lately == pytest.approx(calm + flow * HOLD_S)
    # The other coil's last state may stay for the lease as well: nobody knows that it was heard.
    other = excess(0, [(1, 2 * flow), (1, 0.0)], 0.0)
    assert other == pytest.approx(calm + flow * (HOLD_S + LEASE_S))
    both = excess(0, [(0, flow), (1, flow), (0, 0.0)], 0.5 * flow)
    assert both == pytest.approx(calm + flow * HOLD_S + 0.5 * flow * LEASE_S)


def test_parts_are_shared_by_what_is_asked_above_breakout() -> None:
    one = budget()
    one.advance(0.0)
    one.asked = [(2.0, 12.0), (1.0, 6.0)]
    allowed = one.allowed_a()
    parts = [one.part_a(0), one.part_a(1)]
    assert sum(parts) == pytest.approx(allowed)
    assert (parts[0] - 2) / 10 == pytest.approx((parts[1] - 1) / 5)
    one.asked = [(1.0, 2.0), (0.0, 0.0)]
    assert one.part_a(0) == math.inf
    assert not one.restless()
    one.asked = [(1.0, 200.0), (0.0, 0.0)]
    assert one.restless()


def test_a_full_level_lowers_what_is_allowed_bit_by_bit() -> None:
    one = budget(averaging_s=60.0)
    one.advance(0.0)
    loud = one.allowed_a()
    assert loud > 1.2 * one.flow_a
    seen = [loud]
    for step in range(1, 200):
        one.command(0, 1.3 * one.flow_a, 0.0)
        one.advance(step * 0.1)
        seen.append(one.allowed_a())
    assert min(seen) < one.flow_a
    assert all(b <= a + 1e-9 for a, b in itertools.pairwise(seen))
    assert max(a - b for a, b in itertools.pairwise(seen)) < 0.05 * one.flow_a


def test_sites_without_mains_or_tank_have_no_budget() -> None:
    config = two_coils({})
    values = {"lease_s": 0.2, "refresh_s": 0.037, "motion_s": 0.009}
    assert budget_of(config, **values) is not None
    no_mains = config.site.model_copy(update={"mains": None})
    assert budget_of(config.model_copy(update={"site": no_mains}), **values) is None
    bare = tuple(c.model_copy(update={"tank": None}) for c in config.coil)
    assert budget_of(config.model_copy(update={"coil": bare}), **values) is None


def test_coils_that_fire_apart_for_their_distances_may_be_in_a_state_as_much_longer() -> None:
    """Two coils 34.32 m apart at 20 °C (343.2 m/s, ISO 9613-1): 100 ms. What is kept for a coil
    that starts while another has yet to shrink grows by the site's own current in so long."""
    config = two_coils({})
    values = {"lease_s": 0.2, "refresh_s": 0.037, "motion_s": 0.009}
    warm = config.site.model_copy(update={"air_temperature_c": 20.0})
    near, far = (
        c.model_copy(update={"distance_to_audience_m": d})
        for c, d in zip(config.coil, (5.0, 39.32), strict=True)
    )
    apart = config.model_copy(update={"coil": (near, far), "site": warm})
    here, there = (budget_of(c, **values) for c in (config, apart))
    assert here is not None
    assert there is not None
    more_as = there.lines[1].reserve_as - here.lines[1].reserve_as
    own_a = here.lines[1].budget_a - here.lines[1].other_load_a
    assert more_as == pytest.approx(0.1 * own_a, rel=1e-3)


# -- the coil's own curves in its governor ---------------------------------------------------------


def governor(**changes: object) -> Governor:
    return Governor(coil(max_break_rate_hz=2000, duty_windows=[{"window_ms": 1000,
                    "max_percent": 8}], **changes), link_jitter_s=0.005)  # type: ignore[arg-type]  # fmt: skip


def voices(*asks: VoiceAsk, at_s: float = 1.0, one: Governor | None = None) -> list[float]:
    return [v.on_time_us for v in (one or governor()).update(at_s, asks).voices]


def test_full_scale_is_the_coils_lawful_curve() -> None:
    one = governor()
    curves = CoilCurves(model(), 80.0)
    for rate in (110.0, 330.0, 440.0, 700.0):
        assert one.full_scale_on_time_us(rate) <= curves.longest_at_us(rate)
        (on_us,) = voices(ask(1, rate), one=governor())
        assert model().from_rest.energy_j(on_us * 1e-6) * rate <= 15_600.0
    assert one.full_scale_on_time_us(700.0) < one.full_scale_on_time_us(330.0)


def test_a_chord_shares_the_coils_ratings() -> None:
    on = voices(ask(1, 300.0), ask(2, 400.0), ask(3, 500.0))
    worst = model().from_rest
    drawn_w = sum(
        rate * worst.energy_j(us * 1e-6) for rate, us in zip((300, 400, 500), on, strict=True)
    )
    assert 0.9 * 15_600 < drawn_w <= 15_600
    answer = governor().update(1.0, (ask(1, 300.0), ask(2, 400.0), ask(3, 500.0)))
    assert Limit.COIL in {h.limit for h in answer.held_back}
    assert "coil's ratings" in answer.held_back[0].sentence()


def test_energy_to_on_time_follows_the_coils_curve_not_the_square_law() -> None:
    power = Power(CoilCurves(model(), 80.0), None, 20.0)
    expected = model().expected
    for share in (0.1, 0.5, 0.9):
        on_us = power.on_time_us(share, 80.0)
        low, high = expected.energy_j(20e-6), expected.energy_j(80e-6)
        assert expected.energy_j(on_us * 1e-6) == pytest.approx(
            low + share * (high - low), rel=2e-3
        )
        assert power.energy_share(on_us, 80.0) == pytest.approx(share, abs=1e-6)
        square = math.sqrt(400 + share * (6400 - 400))
        assert on_us < square - 0.2  # with loss, energy grows more slowly: half is reached earlier
    assert power.on_time_us(0.0, 80.0) == 20.0
    assert power.on_time_us(1.0, 80.0) == pytest.approx(80.0)
    assert power.on_time_us(0.5, 15.0) == 20.0
