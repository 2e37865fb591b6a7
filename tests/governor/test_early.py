"""States that take effect before the time they are commanded for, as live notes over a show do."""

from __future__ import annotations

import pytest

from bridge.clocks import MusicS
from bridge.config import Coil
from bridge.governor.governor import Governor
from bridge.music.voices import Hold, VoiceAsk
from tests.chain.rig import coil

EARLY_S = 0.116
JITTER_S = 0.005


def chord(first_id: int, at_s: float, voices: int) -> tuple[VoiceAsk, ...]:
    return tuple(
        VoiceAsk(
            voice_id=first_id + n, started_s=at_s, hold=Hold.HELD, channel=1, note=28, energy=1.0,
            break_rate_hz=40.0,
        )
        for n in range(voices)
    )  # fmt: skip


def granted_after_a_trill(percent: float, times: int, apart_s: float, early_s: float) -> int:
    """How many voices of a live chord are granted that takes effect the moment the score's trill
    ends. It is commanded `early_s` later than that, by the timeline."""
    windows = [{"window_ms": 200, "max_percent": percent}]
    one = Coil.model_validate(
        coil("Larkspur", "North", 1, min_on_time_us=120, duty_windows=windows)
    )
    governor, at_s = Governor(one, link_jitter_s=JITTER_S, early_s=early_s), 5.0
    for n in range(times):
        governor.update(MusicS(at_s), chord(10 * n, at_s, 2))
        at_s += apart_s
    governor.update(MusicS(at_s), ())
    at_s += early_s
    return len(governor.update(MusicS(at_s), chord(10 * times, at_s, 4)).voices)


@pytest.mark.parametrize(("percent", "times", "apart_s"), [(4, 30, 0.03), (2, 20, 0.01)])
def test_a_live_chord_finds_the_windows_as_full_as_the_score_left_them(
    percent: float, times: int, apart_s: float
) -> None:
    """It sounds at the trill's end, though its time on the timeline is 116 ms later: what has
    passed by the timeline only has emptied no window."""
    at_once = granted_after_a_trill(percent, times, apart_s, 0.0)
    assert granted_after_a_trill(percent, times, apart_s, EARLY_S) <= at_once < 4
