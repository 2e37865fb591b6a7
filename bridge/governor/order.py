"""Who goes first when not every voice fits. Pure, no state.

Released voices go first, then pedalled ones, then the inner ones, quiet before loud and old before
young; bass, top and the priority channel go last. The order is total: equal in all, the lower
voice id goes first.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.music.voices import Hold, VoiceAsk

_BY_HOLD = {Hold.RELEASED: 0, Hold.PEDALLED: 1, Hold.HELD: 2}
_INNER = 2
_BASS = 3
_TOP = 4
_PRIORITY = 5


def first_to_go(asks: Sequence[VoiceAsk]) -> list[VoiceAsk]:
    """The voices in the order in which they are dropped."""
    if len(asks) < 2:
        return list(asks)
    held = [ask.note for ask in asks if ask.hold is Hold.HELD]
    top = max(held, default=-1)
    bass = min(held, default=-1)

    def key(ask: VoiceAsk) -> tuple[int, float, float, int]:
        rank = _BY_HOLD[ask.hold]
        if ask.priority and ask.hold is not Hold.RELEASED:
            rank = _PRIORITY
        elif rank == _INNER and ask.note == top:
            rank = _TOP
        elif rank == _INNER and ask.note == bass:
            rank = _BASS
        return (rank, ask.energy, ask.started_s, ask.voice_id)

    return sorted(asks, key=key)
