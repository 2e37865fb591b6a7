"""Whole random performances through instrument, governor, a bad line and a simulated controller.

Hypothesis draws the site (extreme limits included), the line's faults and the player's temper; the
player's messages come from a seeded generator, so one example is hundreds to thousands of
messages. What must hold is what the audience's safety rests on: the independent checker finds no
violation in any pulse, and the controller's guard had nothing to refuse.
"""

from __future__ import annotations

import random
import zlib
from typing import Any

import hypothesis
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from bridge.config import Config
from bridge.governor.limits import check_coil
from bridge.interlock import State
from bridge.timeline import Timeline
from bridge.virtual_site import VirtualSite
from tests.chain.rig import INPUT, armed, coil, guard_refusals, site, violations

TEMPERS = {
    "flood": (30, 3000),
    "bends": (30, 3000),
    "chords": (20, 1500),
    "garbage": (20, 1500),
    "trills": (15, 1500),
    "drums": (15, 1500),
    "pedals": (15, 1500),
    "slow": (10, 300),
}
"""How a player plays: examples, and messages in each: about 300,000 messages in a run."""
MOST_S_AN_EXAMPLE = 25.0


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
def coils(draw: st.DrawFn, name: str, controller: str, output: int) -> dict[str, Any]:
    shortest = draw(st.sampled_from((10, 40, 90)))
    lowest = draw(st.sampled_from((16, 36, 60)))
    return coil(
        name,
        controller,
        output,
        min_on_time_us=shortest,
        max_on_time_us=shortest + draw(st.sampled_from((2, 30, 110, 300))),
        min_off_time_us=draw(st.sampled_from((100, 300, 900, 2500))),
        max_break_rate_hz=draw(st.sampled_from((60, 150, 500, 1000, 2000))),
        duty_windows=draw(windows()),
        max_voices=draw(st.integers(1, 4)),
        notes={"lowest": lowest, "highest": lowest + draw(st.sampled_from((12, 34))),
               "outside": draw(st.sampled_from(("fold", "drop")))},
        soft_start={"bangs": draw(st.sampled_from((0, 5, 60))), "after_silence_ms": 300},
    )  # fmt: skip


@st.composite
def sites(draw: st.DrawFn) -> Config:
    """Sites the daemon would accept: what `check_config` refuses is drawn again."""
    made = [draw(coils("Larkspur", "North", 1))]
    if draw(st.booleans()):
        made.append(draw(coils("Foxglove", draw(st.sampled_from(("North", "South"))), 3)))
    jitter_ms = draw(st.sampled_from((0.0, 2.0, 8.0, 25.0)))
    controllers = [
        {
            "name": n,
            "port": "simulated",
            "board_id": f"c01100{i:02x}",
            "link_jitter_ms": jitter_ms,
            "simulated": {"clock_error_ppm": draw(st.sampled_from((-5000.0, 0.0, 5000.0)))},
        }
        for i, n in enumerate(sorted({c["controller"] for c in made}))
    ]
    timing = draw(st.sampled_from(("immediate", "fixed_delay")))
    inputs = [{"name": INPUT, "virtual_port": "Coilwarden", "max_note_s": 5}]
    if timing == "fixed_delay":
        inputs[0] |= {"timing": timing, "delay_ms": 40}
    deal = draw(st.sampled_from(("all", "spread")))
    music = {"routes": [{"coils": [c["name"] for c in made], "deal": deal}]}
    return site(made, controllers=controllers, inputs=inputs, music=music)


def accepted(config: Config) -> bool:
    # Not all of check_config: that a range's highest note is audible is no matter of the law.
    return not any(map(check_coil, config.coil)) and not Timeline(config).faults


class Player:
    """Messages by temper, from a seed."""

    def __init__(self, temper: str, seed: int) -> None:
        self._random = random.Random(f"{temper} {seed}")
        self._temper = temper

    def pause_s(self) -> float:
        mean = {"flood": 0.0004, "bends": 0.002, "trills": 0.012, "slow": 0.15, "garbage": 0.003}
        return self._random.expovariate(1 / mean.get(self._temper, 0.02))

    def messages(self) -> list[bytes]:
        rnd, temper = self._random, self._temper
        if temper == "garbage" and rnd.random() < 0.5:
            return [bytes(rnd.randrange(256) for _ in range(rnd.randrange(5)))]
        channel = rnd.randrange(3 if temper in {"chords", "trills"} else 16)
        if temper == "drums":
            return [bytes((0x99, rnd.randrange(27, 88), rnd.choice((0, 60, 127))))]
        if temper == "bends" and rnd.random() < 0.8:
            return [bytes((0xE0 | rnd.randrange(2), rnd.randrange(128), rnd.randrange(128)))]
        if temper == "pedals" and rnd.random() < 0.4:
            number = rnd.choice((64, 66, 7, 11, 1, 120, 121, 123))
            return [bytes((0xB0 | channel, number, rnd.choice((0, 40, 64, 127))))]
        if temper == "chords" and rnd.random() < 0.3:
            root = rnd.randrange(20, 90)
            status = rnd.choice((0x90, 0x90, 0x80)) | channel
            return [bytes((status, root + n, rnd.randrange(1, 128))) for n in (0, 4, 7, 12, 16)]
        if rnd.random() < 0.03:
            return [bytes((0xC0 | channel, rnd.randrange(128)))]
        note = 57 + rnd.randrange(3) if temper == "trills" else rnd.randrange(10, 110)
        return [bytes((rnd.choice((0x90, 0x90, 0x80)) | channel, note, rnd.randrange(128)))]


def perform(played: VirtualSite, player: Player, count: int) -> None:
    sent, end_s = 0, played.now_s + MOST_S_AN_EXAMPLE
    while sent < count and played.now_s < end_s and played.engine.interlock.state is State.ARMED:
        for message in player.messages():
            played.midi(INPUT, message)
            sent += 1
        played.run_for(player.pause_s())
    played.run_for(0.5)


FAULTS: tuple[dict[str, float], ...] = (
    {},
    {"loss": 0.15, "duplicate": 0.1},
    {"loss": 0.05, "flip": 0.05, "duplicate": 0.05},
    {"bursts": 0.05},
)


@pytest.mark.long
@pytest.mark.parametrize("temper", TEMPERS)
def test_no_violation_and_no_guard_refusal(temper: str) -> None:
    examples, messages = TEMPERS[temper]

    @hypothesis.seed(zlib.crc32(temper.encode()))  # the same nights in every run
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )
    @given(
        config=sites().filter(accepted),
        seed=st.integers(0, 1 << 20),
        faults=st.sampled_from(FAULTS),
    )
    def one_night(config: Config, seed: int, faults: dict[str, float]) -> None:
        played = armed(config, seed=seed, **faults)
        perform(played, Player(temper, seed), messages)
        assert violations(config, played) == []
        assert guard_refusals(played) == 0
        assert played.engine.interlock.current_trip is None

    one_night()
