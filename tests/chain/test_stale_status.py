"""Statuses that stay away or come late, in simulated time."""

from __future__ import annotations

import pytest

from bridge.interlock import Cause, State
from bridge.link.line_noise import LineNoise, Passage
from bridge.music.instrument import Instrument
from bridge.virtual_site import VirtualSite
from tests.chain.racks import STOP_S, chord, last_end_s
from tests.chain.rig import (
    armed,
    one_coil,
)


def test_a_silent_status_line_trips_within_300_ms() -> None:
    played = armed(one_coil())
    chord(played)
    cut_s = played.now_s
    played.links["North"].take_received = lambda: []  # type: ignore[method-assign]
    played.run_for(0.6)
    trip = played.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause is Cause.STATUS_STALE
    assert last_end_s(played) < cut_s + 0.3 + STOP_S


class Lagging(LineNoise):
    """A line into this host that falls behind without losing anything."""

    lag_s = 0.0

    def pass_frame(self, frame: bytes) -> list[Passage]:
        return [Passage(frame, self.lag_s)]


@pytest.mark.parametrize("lag_s_per_s", [1e9, 0.2, 0.002])
def test_statuses_that_come_late_count_as_old_however_the_lag_came(lag_s_per_s: float) -> None:
    """One every 50 ms, but from ever longer ago: in one jump, in seconds, or so slowly that it
    passes for the clock's own offset."""
    config = one_coil()
    line = Lagging(1)
    played = VirtualSite(
        config,
        Instrument(config),
        noise=lambda name, direction: line if direction == "to_host" else None,
    )
    played.arm()
    begun_s = played.now_s
    while played.engine.interlock.state is State.ARMED:
        line.lag_s = min(1.0, lag_s_per_s * (played.now_s - begun_s))
        assert line.lag_s < 0.3 or played.now_s < begun_s + 0.3
        played.run_for(0.02)
    trip = played.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause in (Cause.STATUS_STALE, Cause.CLOCK_OUT)
    if lag_s_per_s < 0.01:
        assert trip.cause is Cause.STATUS_STALE
        assert line.lag_s > 0.15, "a line that lags less is good enough"


def test_a_line_that_lags_cannot_arm() -> None:
    config = one_coil()
    line = Lagging(1)
    line.lag_s = 0.6
    played = VirtualSite(
        config,
        Instrument(config),
        noise=lambda name, direction: line if direction == "to_host" else None,
    )
    played.connect()
    played.prove_estops()
    played.run_for(6.0)
    assert "North: status" in [c.name for c in played.engine.checks(played.now_s) if not c.passed]
