"""The site without wires plays what the site with wires plays, and is as lawful."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from bridge import demo_piece
from bridge.clocks import HostS
from bridge.config import Config
from bridge.music.instrument import Instrument
from bridge.rehearse import direct_site
from bridge.rehearse.direct_site import DirectSite
from bridge.rehearse.pulse_arrays import PulseArrays
from bridge.virtual_site import TimedPulse
from tests.chain.rig import INPUT, armed, coil, note_off, note_on, site
from tests.pulse_checker import check_pulses

DELAYED = [
    {"name": INPUT, "virtual_port": "Coilwarden", "timing": "fixed_delay", "delay_ms": 50}
]  # fmt: skip
FROM_BEAT = 15.0
SECONDS = 5.0
"""Of our demo piece: tune, bass, chords and drums at once."""


def two_coils(*, delayed: bool, inputs: list[dict[str, Any]] | None = None) -> Config:
    routes = [
        {"channels": [1, 3], "coils": ["Larkspur"]},
        {"channels": [2, 10], "coils": ["Foxglove"]},
    ]
    return site(
        [
            coil("Larkspur", "North", 1, duty_windows=[{"window_ms": 100, "max_percent": 6}]),
            coil("Foxglove", "South", 1, duty_windows=[{"window_ms": 1000, "max_percent": 5}]),
        ],
        inputs=inputs or (DELAYED if delayed else None),
        music={"routes": routes},
    )


def excerpt() -> list[tuple[float, bytes]]:
    from_s = FROM_BEAT * demo_piece.BEAT_S
    piece = demo_piece.piece()
    heads = [(0.0, m) for t, m in piece if t < from_s and m[0] & 0xF0 == 0xC0]
    return heads + [(t - from_s, m) for t, m in piece if from_s <= t < from_s + SECONDS]


def both(
    config: Config,
) -> tuple[float, DirectSite, dict[str, list[TimedPulse]], dict[str, Sequence[TimedPulse]]]:
    wired, direct = armed(config), DirectSite(config, Instrument(config))
    wired.run_for(6.0)  # the boards' clocks are known well
    begin_s = wired.now_s
    direct.run_until(begin_s)
    for at_s, message in excerpt():
        wired.run_until(HostS(begin_s + at_s))
        wired.midi(INPUT, message)
        direct.run_until(HostS(begin_s + at_s))
        direct.midi(INPUT, message)
    wired.run_for(0.5)
    direct.run_for(0.5)
    return begin_s, direct, wired.take_pulses(), direct.take_pulses()


def test_a_site_with_a_timeline_plays_the_same_pulses_at_the_same_times() -> None:
    """Within what the host knows of the boards' clocks, 50 µs (the onset bound)."""
    _, _, wired, direct = both(two_coils(delayed=True))
    for name, pulses in wired.items():
        assert len(pulses) > 500
        assert abs(len(direct[name]) - len(pulses)) <= 2
        theirs = np.array([p.start_s for p in pulses])
        ours = np.array([p.start_s for p in direct[name]])
        after = np.clip(np.searchsorted(ours, theirs), 1, len(ours) - 1)
        apart = np.minimum(abs(ours[after] - theirs), abs(ours[after - 1] - theirs))
        # A pulse that two voices want falls to either's side of a tick: then it moves by a pulse.
        assert np.percentile(apart, 97) < 50e-6
        assert sum(p.on_ticks for p in direct[name]) == pytest.approx(
            sum(p.on_ticks for p in pulses), rel=0.002
        )


def test_a_site_without_delay_differs_by_the_time_on_the_line_only() -> None:
    begin_s, _, wired, direct = both(two_coils(delayed=False))
    for name, pulses in wired.items():
        assert len(direct[name]) == pytest.approx(len(pulses), rel=0.005)
        assert sum(p.on_ticks for p in direct[name]) == pytest.approx(
            sum(p.on_ticks for p in pulses), rel=0.01
        )
        first = min(p.start_s for p in pulses if p.start_s >= begin_s)
        ours = min(p.start_s for p in direct[name] if p.start_s >= begin_s)
        assert 0.0 <= first - ours < 0.003


@pytest.mark.parametrize("delayed", [True, False])
def test_it_keeps_every_limit_and_leaves_the_guard_nothing(delayed: bool) -> None:
    config = two_coils(delayed=delayed)
    direct = DirectSite(config, Instrument(config))
    for beat in range(12):  # far more than either coil can hold
        for channel in (1, 2, 3):
            for note in range(40 + beat, 90, 7):
                direct.midi(INPUT, note_on(note, 127, channel))
        direct.run_for(0.2)
        for channel in (1, 2, 3):
            for note in range(40 + beat, 90, 7):
                direct.midi(INPUT, note_off(note, channel))
        direct.run_for(0.05)
    assert direct.guard_refusals == {"Larkspur": 0, "Foxglove": 0}
    assert direct.records  # and it says what it held back
    for one in config.coil:
        pulses = direct.take_pulses()[one.name]
        assert len(pulses) > 500
        assert not check_pulses(
            [(p.start_s * 1e6, p.on_s * 1e6) for p in pulses],
            max_on_us=one.max_on_time_us,
            min_off_us=one.min_off_time_us,
            max_starts_1s=one.max_break_rate_hz,
            windows=[
                (w.window_ms * 1000, w.window_ms * 10 * w.max_percent) for w in one.duty_windows
            ],
        )


def played(*, ask_often: bool) -> dict[str, PulseArrays]:
    config = two_coils(delayed=True)
    direct = DirectSite(config, Instrument(config))
    for at_s, message in excerpt():
        direct.run_until(HostS(at_s))
        direct.midi(INPUT, message)
        if ask_often:
            direct.take_pulses()
    direct.run_for(0.5)
    return direct.take_pulses()


def test_the_same_score_gives_the_same_pulses() -> None:
    assert played(ask_often=False) == played(ask_often=False)


def test_frames_that_wait_play_what_they_would_have_played_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    late = played(ask_often=False)
    assert all(len(pulses) > 500 for pulses in late.values())
    assert played(ask_often=True) == late
    monkeypatch.setattr(direct_site, "_MOST_WAITING", 1)
    assert played(ask_often=False) == late


def test_a_keyboard_plays_over_what_waits_and_one_that_will_not_play_changes_nothing() -> None:
    inputs = [*DELAYED, {"name": "Keyboard", "port_pattern": "keyboard"}]
    config = two_coils(delayed=True, inputs=inputs)
    fired: list[list[TimedPulse]] = []
    for known in (None, (INPUT,), ("Keyboard",)):
        direct = DirectSite(config, Instrument(config), inputs=known)
        player = INPUT if known is None else known[0]
        for at_s, message in excerpt():
            direct.run_until(HostS(at_s))
            direct.midi(player, message)
        direct.run_for(0.5)
        fired.append(list(direct.take_pulses()["Larkspur"]))
    assert fired[0] == fired[1]
    delay_s = fired[0][0].start_s - fired[2][0].start_s
    assert 0.02 < delay_s < 0.05  # a keyboard does not wait for the delay
    assert len(fired[2]) > 0.8 * len(fired[0])  # what is decided anew costs some of the reserve


def test_pulses_in_arrays_read_as_pulses() -> None:
    pulses = PulseArrays.of_ticks(array("q", [2_000_000, 2_500_000]), array("q", [200, 100]))
    expected = [TimedPulse(1.0, 1e-4, 2_000_000, 200), TimedPulse(1.25, 5e-5, 2_500_000, 100)]
    assert list(pulses) == expected
    assert [pulses[0], pulses[-1]] == expected
    assert list(pulses[1:]) == expected[1:]
    assert next(iter(pulses.since(0.5))) == TimedPulse(0.5, 1e-4, 2_000_000, 200)
    assert pulses != pulses[:1]
