"""Who goes first."""

from __future__ import annotations

from itertools import permutations

from bridge.governor.order import first_to_go
from bridge.music.voices import Hold
from tests.governor.stage import ask


def test_the_whole_order_from_any_arrangement() -> None:
    voices = [
        ask(1, 440, 0.9, note=90, hold=Hold.RELEASED),
        ask(2, 440, 0.1, note=20, hold=Hold.PEDALLED),
        ask(3, 440, 0.2, note=60),  # inner, quiet
        ask(4, 440, 0.8, note=61, started_s=1.0),  # inner, loud, old
        ask(5, 440, 0.8, note=62, started_s=2.0),  # inner, loud, young
        ask(6, 440, 0.01, note=48),  # bass, though quiet
        ask(7, 440, 0.01, note=72),  # top, though quiet
        ask(8, 440, 0.01, note=65, priority=True),
    ]
    for arrangement in list(permutations(voices))[::997]:
        assert [v.voice_id for v in first_to_go(arrangement)] == [1, 2, 3, 4, 5, 6, 7, 8]


def test_a_released_voice_goes_though_it_is_top_or_on_the_priority_channel() -> None:
    voices = [ask(1, 440, note=60), ask(2, 880, note=81, hold=Hold.RELEASED, priority=True)]
    assert first_to_go(voices)[0].voice_id == 2


def test_equal_voices_go_by_id() -> None:
    assert [v.voice_id for v in first_to_go([ask(9, 440), ask(4, 440)])] == [4, 9]
