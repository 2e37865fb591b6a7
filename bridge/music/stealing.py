"""Who yields: a score over the trains of a full coil. The highest goes; nothing is left to chance.

Weights come from the configuration. A newcomer never steals from its own chord: notes struck
within 30 ms of it are safe from it.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.config import Stealing
from bridge.music.note import Part
from bridge.music.train import Train
from bridge.music.voices import Hold

CHORD_S = 0.030
"""Notes struck within this of each other are one chord."""
_ROUNDING_S = 1e-9


class Thief:
    """Chooses the train that gives its place to a newcomer."""

    __slots__ = ("_weights",)

    def __init__(self, weights: Stealing) -> None:
        self._weights = weights

    def choose(self, trains: Sequence[Train], newcomer: Part, now_s: float) -> Train | None:
        """The train to end, or None if only the newcomer's own chord sounds.

        Equal scores: the one with the lower voice id, that is, the older, goes.
        """
        rates = [t.parts[0].rate_hz for t in trains]
        rates.append(newcomer.rate_hz)
        bass_hz, top_hz = min(rates), max(rates)
        struck_s = newcomer.note.struck_s
        victim: Train | None = None
        highest = 0.0
        for train in trains:
            if any(abs(struck_s - p.note.struck_s) <= CHORD_S + _ROUNDING_S for p in train.parts):
                continue
            inner = bass_hz < train.parts[0].rate_hz < top_hz
            score = self.score(train, inner, now_s)
            if (
                victim is None
                or score > highest
                or (score == highest and train.voice_id < victim.voice_id)
            ):
                victim, highest = train, score
        return victim

    def score(self, train: Train, inner: bool, now_s: float) -> float:
        """The higher, the sooner the train goes."""
        weights = self._weights
        score = weights.quiet * (1.0 - train.energy)
        score += weights.age_per_s * (now_s - train.started_s)
        match train.hold:
            case Hold.RELEASED:
                score += weights.released
            case Hold.PEDALLED:
                score += weights.pedalled
            case Hold.HELD:
                pass
        if inner:
            score += weights.inner
        if train.priority:
            score -= weights.priority_channel
        return score
