"""The pulses worked out of a journal beside those that the simulated boards really fired."""

from __future__ import annotations

from collections import defaultdict

import pytest

from bridge.journal.fired import FiredPulses
from bridge.journal.night import Night
from tests.running_site import Site


def test_they_are_those_that_the_boards_fired(run: tuple[Site, Night]) -> None:
    made, night = run
    found: dict[str, list[tuple[float, float]]] = defaultdict(list)
    fired = FiredPulses(night.config(), lambda coil, at_s, on: found[coil].append((at_s, on)))
    for event in night.read():
        fired.take(event)
    fired.end(night.began_s + night.duration_s)
    for coil in ("Larkspur", "Foxglove"):
        true = made.boards.pulses[coil]
        worked_out = found[coil]
        assert len(true) > 100
        # A frame arrives some hundred µs earlier or later than reckoned, so that a pulse more or
        # less may come of each change; no more than that.
        assert len(worked_out) == pytest.approx(len(true), rel=0.02)
        total_us = sum(p.on_s for p in true) * 1e6
        assert sum(on for _, on in worked_out) == pytest.approx(total_us, rel=0.02)
        assert worked_out[0][0] == pytest.approx(true[0].start_s, abs=0.002)
        assert worked_out[-1][0] == pytest.approx(true[-1].start_s, abs=0.02)
        assert worked_out == sorted(worked_out)
        # What the board counted, by its own words.
        assert fired.counted[coil].pulses == len(true)
        assert fired.counted[coil].guard_refusals == 0
