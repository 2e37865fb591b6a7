"""Who sounds where a live player and a score want more of a coil than it has voices. Pure.

The rule is the site's (`[music] live_priority`). Whoever goes is chosen by things that change
seldom: a voice that fades already, then the one struck earliest; a priority channel's last. So a
vibrato or an envelope never makes two voices take turns.
"""

from __future__ import annotations

from typing import Literal

from bridge.music.voices import Hold, VoiceAsk

LivePriority = Literal["live", "score", "newest"]
"""live: the score's voices yield. score: the live player's yield. newest: the earliest struck."""

Asks = tuple[VoiceAsk, ...]


def together(score: Asks, live: Asks, most: int, rule: LivePriority) -> Asks:
    """Both, the score's first; where they are more than `most`, without those that yield."""
    over = len(score) + len(live) - most
    if not live or over <= 0:
        return (*score, *live) if live else score
    yielding = {"live": [*score], "score": [*live], "newest": [*score, *live]}[rule]
    firm = [a for a in (*score, *live) if a not in yielding]
    gone = {id(a) for a in sorted(yielding, key=_last_to_go)[:over]}
    over -= len(gone)
    gone |= {id(a) for a in sorted(firm, key=_last_to_go)[: max(0, over)]}
    return tuple(a for a in (*score, *live) if id(a) not in gone)


def _last_to_go(ask: VoiceAsk) -> tuple[bool, bool, float, int]:
    return ask.priority, ask.hold is not Hold.RELEASED, ask.started_s, ask.voice_id
