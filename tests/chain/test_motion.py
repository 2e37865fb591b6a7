"""How fast a coil's own loudness moves: on a site with a delay as fast as without one."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.link.slots import MOTION_S
from tests.chain.rig import (
    INPUT,
    armed,
    between,
    coil,
    guard_refusals,
    note_off,
    note_on,
    organ,
    site,
    violations,
)

DELAY_S = 0.06
DELAYED: dict[str, Any] = {"timing": "fixed_delay", "delay_ms": DELAY_S * 1000}


def grown_after_s(timing: dict[str, Any], seed: int | None) -> float:
    """A chord presses a coil to short pulses; it is let go but for one note. How long until that
    note's pulses have 95 % of the length they come to."""
    config = site(
        [coil("Larkspur", "North", 1, duty_windows=[{"window_ms": 1000, "max_percent": 5}])],
        inputs=[{"name": INPUT, "virtual_port": "Coilwarden", "max_note_s": 600, **timing}],
    )
    played = armed(config, seed=seed)
    organ(played)
    chord = (57, 61, 64, 69)
    for note in chord:
        played.midi(INPUT, note_on(note, 127))
    played.run_for(1.5)
    for note in chord[1:]:
        played.midi(INPUT, note_off(note))
    let_go_s = played.now_s
    played.run_for(1.5)
    pulses = between(played.take_pulses()["Larkspur"], let_go_s, played.now_s)
    assert pulses[-1].on_ticks > 2 * pulses[0].on_ticks, "nothing grew: this would show nothing"
    assert violations(config, played) == []
    assert guard_refusals(played) == 0
    grown = next(p for p in pulses if p.on_ticks >= 0.95 * pulses[-1].on_ticks)
    return grown.start_s - let_go_s


@pytest.mark.parametrize("seed", [None, 1, 2])
def test_the_governor_moves_as_fast_on_a_site_with_a_delay(seed: int | None) -> None:
    later_s = grown_after_s(DELAYED, seed) - grown_after_s({}, seed)
    assert later_s == pytest.approx(DELAY_S, abs=2 * MOTION_S)
