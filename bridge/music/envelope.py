"""Envelopes: how a note's energy moves from its strike to its end, by General MIDI family.

Levels are shares of the note's own energy, 0..1. An envelope is a pure function of the time since
the strike. Every curve arrives exactly, and in finite time, at where it is going: a fade ends in
no voice at all, never in a faint tail at the shortest pulse.

The sixteen families of eight programs are General MIDI Level 1's; the times are our own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf, sqrt

FAMILY_SIZE = 8
ATTACK_FLOOR = 0.15
"""Where a slow attack begins, so that the first bang answers the key at once."""
SILENT_LEVEL = 0.02
"""A decay towards nothing ends here (17 dB down)."""


@dataclass(frozen=True, slots=True)
class Envelope:
    """Attack to full, decay to `sustain`, hold; after the key, release to nothing. Seconds."""

    attack_s: float
    decay_s: float
    sustain: float
    release_s: float
    settled_after_s: float = field(init=False)
    """From here on the level stays where it is (infinite where it never settles before its end)."""
    ends_after_s: float = field(init=False)
    """When a held note ends by itself; infinite for one that sustains."""

    def __post_init__(self) -> None:
        if self.sustain > 0:
            ends = inf
            settled = self.attack_s + (self.decay_s if self.sustain < 1 else 0.0)
        else:
            ends = self.attack_s + self.decay_s * (1.0 - sqrt(SILENT_LEVEL))
            settled = inf
        object.__setattr__(self, "settled_after_s", settled)
        object.__setattr__(self, "ends_after_s", ends)

    def level(self, age_s: float) -> float:
        """The level `age_s` after the strike while the note is held, 0..1."""
        if age_s < self.attack_s:
            return ATTACK_FLOOR + (1.0 - ATTACK_FLOOR) * age_s / self.attack_s
        age_s -= self.attack_s
        if age_s >= self.decay_s:
            return self.sustain
        left = 1.0 - age_s / self.decay_s
        return self.sustain + (1.0 - self.sustain) * left * left

    def release_level(self, since_release_s: float) -> float:
        """What is left of the level at the release, 1..0; exactly 0 from `release_s` on."""
        if since_release_s >= self.release_s:
            return 0.0
        left = 1.0 - since_release_s / self.release_s
        return left * left


FAMILIES: tuple[tuple[str, Envelope], ...] = (
    ("piano", Envelope(0.0, 10.0, 0.0, 0.08)),
    ("chromatic percussion", Envelope(0.0, 1.5, 0.0, 0.06)),
    ("organ", Envelope(0.0, 0.0, 1.0, 0.04)),
    ("guitar", Envelope(0.0, 4.0, 0.0, 0.06)),
    ("bass", Envelope(0.0, 3.0, 0.3, 0.05)),
    ("strings", Envelope(0.12, 0.0, 1.0, 0.12)),
    ("ensemble", Envelope(0.10, 0.0, 1.0, 0.12)),
    ("brass", Envelope(0.04, 0.15, 0.8, 0.07)),
    ("reed", Envelope(0.03, 0.10, 0.85, 0.06)),
    ("pipe", Envelope(0.04, 0.10, 0.9, 0.07)),
    ("synth lead", Envelope(0.0, 0.0, 1.0, 0.04)),
    ("synth pad", Envelope(0.25, 0.0, 1.0, 0.12)),
    ("synth effects", Envelope(0.05, 2.0, 0.5, 0.12)),
    ("ethnic", Envelope(0.0, 2.0, 0.0, 0.06)),
    ("percussive", Envelope(0.0, 0.5, 0.0, 0.05)),
    ("sound effects", Envelope(0.0, 3.0, 0.4, 0.10)),
)
"""In the order of General MIDI: family n holds programs 8n + 1 to 8n + 8 (as musicians count)."""


def envelope_for(program: int) -> Envelope:
    """The envelope of a program number, 0..127 as on the wire."""
    return FAMILIES[program // FAMILY_SIZE][1]
