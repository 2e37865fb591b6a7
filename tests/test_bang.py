"""Bangs by hand, as pulses: as many as were asked, whatever the site's inputs are set to."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.bang import for_bangs
from bridge.bang_source import BangSource
from bridge.virtual_site import VirtualSite
from tests.chain.rig import INPUT, coil, site

DELAYED: dict[str, Any] = {"timing": "fixed_delay", "delay_ms": 60}


@pytest.mark.parametrize("timing", [{}, DELAYED], ids=["immediate", "fixed delay"])
@pytest.mark.parametrize("break_rate_hz", [20.0, 100.0, 300.0])
@pytest.mark.parametrize("bangs", [1, 10])
def test_as_many_bangs_as_were_asked(
    timing: dict[str, Any], break_rate_hz: float, bangs: int
) -> None:
    config = for_bangs(
        site(
            [coil("Larkspur", "North", 1, soft_start={"bangs": 50, "after_silence_ms": 500})],
            inputs=[{"name": INPUT, "virtual_port": "Coilwarden", **timing}],
        )
    )
    source = BangSource(config, "Larkspur", break_rate_hz)
    played = VirtualSite(config, source)
    played.arm()
    asked_s = played.now_s
    source.fire(played.now_s, bangs)
    played.engine.source_changed(played.now_s)
    played.run_for(1.0)
    pulses = played.take_pulses()["Larkspur"]
    assert len(pulses) == bangs
    assert pulses[0].start_s - asked_s < 0.02, "a bang comes when the key goes down"
