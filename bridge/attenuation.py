"""The operator's mutes and master loudness: between what makes voices and the governors. Pure.

They can only reduce. A muted coil is asked nothing; a loudness below 1 takes a share of the energy
of every bang that is asked. Nothing here raises an energy or adds, moves or renames a voice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from bridge.music.voices import VoiceAsk

Asks = dict[str, tuple[VoiceAsk, ...]]


class Attenuation:
    """Which coils are muted, and how loud the rest may be."""

    def __init__(self) -> None:
        self.muted: frozenset[str] = frozenset()
        self.loudness = 1.0
        """Share of the energy asked, 0..1; 0 is silence."""
        self._last: dict[str, tuple[tuple[VoiceAsk, ...], tuple[VoiceAsk, ...]]] = {}

    def mute(self, coil: str, muted: bool) -> None:
        self.muted = self.muted | {coil} if muted else self.muted - {coil}
        self._last.clear()

    def set_loudness(self, share: float) -> None:
        """Held to 0..1; what is no number is silence."""
        self.loudness = 0.0 if math.isnan(share) else min(1.0, max(0.0, share))
        self._last.clear()

    def apply(self, asks: Mapping[str, tuple[VoiceAsk, ...]]) -> Asks:
        """The same voices, some of them quieter or gone; every coil is there."""
        return {name: self._coil(name, voices) for name, voices in asks.items()}

    def _coil(self, name: str, voices: tuple[VoiceAsk, ...]) -> tuple[VoiceAsk, ...]:
        if not voices or name in self.muted or self.loudness <= 0:
            return ()
        if self.loudness == 1.0:
            return voices
        # What is unchanged stays the same object: the lines then see at a glance that it is.
        before, after = self._last.get(name, ((), ()))
        if before is not voices:
            after = tuple([v._replace(energy=v.energy * self.loudness) for v in voices])
            # So small that nothing is left of it: no voice may be asked with energy 0.
            after = tuple([v for v in after if v.energy > 0])
            self._last[name] = (voices, after)
        return after
