"""Sites that hypothesis draws: anything the daemon would accept, extreme limits included."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hypothesis import strategies as st

from bridge.config import Coil, Config
from bridge.config_check import fitted
from bridge.governor.limits import check_coil
from bridge.timeline import Timeline
from tests.chain.rig import INPUT, coil, site

SECOND_INPUT = "pad"
COILS = ("Larkspur", "Foxglove", "Bluebell", "Campion", "Teasel", "Yarrow", "Mallow", "Tansy")
CONTROLLERS = ("North", "South", "East", "West")


@st.composite
def windows(draw: st.DrawFn) -> list[dict[str, Any]]:
    lengths = draw(
        st.lists(st.sampled_from((10, 20, 50, 100, 250, 2000, 10_000)), max_size=2, unique=True)
    )
    if not lengths or draw(st.booleans()):
        lengths = [1000, *lengths]
    return [
        {"window_ms": n, "max_percent": draw(st.sampled_from((0.8, 2.0, 5.0, 8.0, 12.0)))}
        for n in lengths
    ]


@st.composite
def curves(draw: st.DrawFn, shortest: float, longest: float) -> list[dict[str, float]]:
    """None, or longest on-times against pitch: two or three points within the coil's own bounds."""
    if draw(st.booleans()):
        return []
    rates = sorted(
        draw(
            st.lists(st.sampled_from((30, 90, 250, 600, 1500)), min_size=2, max_size=3, unique=True)
        )
    )
    shares = [draw(st.sampled_from((0.0, 0.3, 0.7, 1.0))) for _ in rates]
    return [
        {"break_rate_hz": rate, "max_on_time_us": shortest + share * (longest - shortest)}
        for rate, share in zip(rates, shares, strict=True)
    ]


@st.composite
def coils(draw: st.DrawFn, name: str, controller: str, output: int) -> dict[str, Any]:
    shortest = draw(st.sampled_from((10, 40, 90)))
    longest = shortest + draw(st.sampled_from((2, 30, 110, 300)))
    notes = {
        "lowest": draw(st.sampled_from((16, 36, 60))),
        "outside": draw(st.sampled_from(("fold", "drop"))),
    }
    if wide := draw(st.sampled_from((0, 0, 12, 34, 60))):  # else as high as the coil can play
        notes["highest"] = notes["lowest"] + wide
    return coil(
        name,
        controller,
        output,
        min_on_time_us=shortest,
        max_on_time_us=longest,
        on_time_curve=draw(curves(shortest, longest)),
        min_off_time_us=draw(st.sampled_from((100, 300, 900, 2500))),
        max_break_rate_hz=draw(st.sampled_from((60, 150, 500, 1000, 2000))),
        duty_windows=draw(windows()),
        max_voices=draw(st.integers(1, 4)),
        notes=notes,
        soft_start={"bangs": draw(st.sampled_from((0, 5, 60))), "after_silence_ms": 300},
        distance_to_audience_m=draw(st.sampled_from((None, None, 12, 20))),
    )  # fmt: skip


def accepted_coil(made: dict[str, Any]) -> bool:
    # Not all of check_config: that a range's highest note is audible is no matter of the law.
    one = Coil.model_validate(made)
    least_us = one.min_on_time_us * 1.015 + 0.6  # a curve at breakout itself leaves no note
    return not check_coil(one) and all(p.max_on_time_us >= least_us for p in one.on_time_curve)


@st.composite
def sites(draw: st.DrawFn, places: Sequence[tuple[str, int]]) -> Config:
    """A site with a coil at each place (controller, output) that the daemon would accept."""
    made = [
        draw(coils(name, controller, output).filter(accepted_coil))
        for name, (controller, output) in zip(COILS, places, strict=False)
    ]
    controllers = [
        {
            "name": n,
            "port": "simulated",
            "board_id": f"c01100{i:02x}",
            "link_jitter_ms": draw(st.sampled_from((0.0, 2.0, 8.0, 25.0, 50.0))),
            "baud": draw(st.sampled_from((250_000, 500_000, 500_000, 1_000_000))),
            "simulated": {"clock_error_ppm": draw(st.sampled_from((-5000.0, 0.0, 5000.0)))},
        }
        for i, n in enumerate(sorted({c["controller"] for c in made}))
    ]
    inputs: list[dict[str, Any]] = [
        {"name": INPUT, "virtual_port": "Coilwarden", "max_note_s": 5},
        {"name": SECOND_INPUT, "port_pattern": "pad", "max_note_s": 2},
    ]
    for one, delay_ms in zip(inputs, draw(st.sampled_from(DELAYS_MS)), strict=True):
        if delay_ms:
            one |= {"timing": "fixed_delay", "delay_ms": delay_ms}
    names = [c["name"] for c in made]
    routes: list[dict[str, Any]] = [
        {"coils": names, "deal": draw(st.sampled_from(("all", "spread")))}
    ]
    if len(names) > 1 and draw(st.booleans()):  # a keyboard split before it
        routes.insert(0, {"channels": [2], "highest_note": 59, "coils": names[:1]})
    music = {
        "routes": routes,
        "bend_range_semitones": draw(st.sampled_from((2, 12, 96))),
        "priority_channel": draw(st.sampled_from((None, 1, 5))),
        "vibrato_rate_hz": draw(st.sampled_from((0.1, 5.5, 12))),
        "vibrato_depth_cents": draw(st.sampled_from((0, 40, 200))),
        "velocity_exponent": draw(st.sampled_from((0.2, 1.5, 6))),
    }
    return fitted(site(made, controllers=controllers, inputs=inputs, music=music))


DELAYS_MS = ((0, 0), (0, 0), (40, 0), (90, 60))
"""Of the two inputs; 0: immediate."""

FEW = (
    (("North", 1),),
    (("North", 4),),
    (("North", 1), ("North", 3)),
    (("North", 2), ("South", 2)),
    (("North", 1), ("North", 2), ("South", 4)),
)
EIGHT = tuple((controller, output) for controller in CONTROLLERS for output in (1, 3))
"""Two coils on each of four controllers."""


def small_sites() -> st.SearchStrategy[Config]:
    return st.sampled_from(FEW).flatmap(sites).filter(timely)


def large_sites() -> st.SearchStrategy[Config]:
    return sites(EIGHT).filter(timely)


def timely(config: Config) -> bool:
    return not Timeline(config).faults
