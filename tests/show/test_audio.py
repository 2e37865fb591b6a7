"""Coils beside backing audio, heard at a JACK server: real processes. Measured by measure_audio."""

from __future__ import annotations

import statistics
from pathlib import Path

import pytest

from tests.jack import JackServer, jack_server  # noqa: F401  # pyright: ignore[reportUnusedImport]
from tests.measure_audio import click_times, perform

FRAMES = 1024
"""Long cycles: what this test is for is not how busy the machine is."""


@pytest.mark.real
@pytest.mark.alone
@pytest.mark.parametrize("jack_server", [FRAMES], indirect=True)
def test_notes_sound_with_the_clicks_of_their_audio(
    jack_server: JackServer,  # noqa: F811
    tmp_path: Path,
) -> None:
    """Correct, however slow the machine: a clock that is a cycle off, or a capture's latency taken
    for the player's, is more than half a cycle."""
    times = click_times(4.0)
    clicks, notes, said = perform(tmp_path, jack_server.name, times, stall=False)
    near = [abs(n - c) for c in clicks for n in notes if abs(n - c) < 0.15]
    assert len(near) >= 0.7 * len(times), (len(clicks), len(notes), said)
    assert statistics.median(near) < 0.5 * FRAMES / 48_000
