"""Percussion: each drum is a short burst of bangs, told apart by rate, glide, spread and length.

Keys are those of the General MIDI Level 1 percussion map (35..81); the sounds are our own. A kick
is an even burst gliding down; a snare and the cymbals are noise, which a coil makes by spreading
every gap at random; a bell is an even burst that stays on its pitch. A burst counts its bangs, so
that the controller ends it even if the host is late.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

MAX_BANGS = 255


@dataclass(frozen=True, slots=True)
class Drum:
    """One percussion sound. The rate moves evenly from first to last over the burst."""

    name: str
    first_hz: float
    last_hz: float
    length_s: float
    spread: float = 0.0
    """Random spread of every gap, as a share of the period, 0..0.5."""
    share: float = 1.0
    """Share of the energy that the velocity asks for."""
    choke: int = 0
    """Drums of one choke group silence each other (0: none): a closed hat ends the open one."""

    @property
    def glides(self) -> bool:
        return self.first_hz != self.last_hz

    @property
    def bang_count(self) -> int:
        """Bangs in the burst: mean rate × length, 1..255."""
        mean_hz = (self.first_hz + self.last_hz) / 2.0
        return max(1, min(MAX_BANGS, ceil(mean_hz * self.length_s)))

    def rate_hz(self, age_s: float) -> float:
        """The break rate `age_s` after the strike; beyond the burst, the last rate."""
        done = min(1.0, max(0.0, age_s / self.length_s))
        return self.first_hz + (self.last_hz - self.first_hz) * done


HAT = 1
WHISTLE = 2
GUIRO = 3
CUICA = 4
TRIANGLE = 5

_KICK = Drum("kick", 150.0, 45.0, 0.12)
_SOFT_KICK = Drum("soft kick", 120.0, 40.0, 0.15)
_SNARE = Drum("snare", 330.0, 260.0, 0.14, 0.45)
_SHARP_SNARE = Drum("sharp snare", 420.0, 300.0, 0.10, 0.40)
_CLAP = Drum("clap", 240.0, 240.0, 0.09, 0.5)
_CRASH = Drum("crash", 520.0, 380.0, 0.45, 0.5)
_RIDE = Drum("ride", 470.0, 430.0, 0.22, 0.3, 0.7)

DRUMS: dict[int, Drum] = {
    35: _SOFT_KICK,
    36: _KICK,
    37: Drum("side stick", 480.0, 480.0, 0.02, 0.1),
    38: _SNARE,
    39: _CLAP,
    40: _SHARP_SNARE,
    41: Drum("tom 1", 120.0, 65.0, 0.20),
    42: Drum("closed hat", 560.0, 560.0, 0.035, 0.5, 0.6, HAT),
    43: Drum("tom 2", 140.0, 76.0, 0.20),
    44: Drum("pedal hat", 500.0, 500.0, 0.03, 0.5, 0.5, HAT),
    45: Drum("tom 3", 165.0, 90.0, 0.18),
    46: Drum("open hat", 560.0, 500.0, 0.30, 0.5, 0.6, HAT),
    47: Drum("tom 4", 190.0, 105.0, 0.18),
    48: Drum("tom 5", 220.0, 125.0, 0.16),
    49: _CRASH,
    50: Drum("tom 6", 260.0, 150.0, 0.16),
    51: _RIDE,
    52: Drum("china cymbal", 400.0, 300.0, 0.40, 0.5),
    53: Drum("ride bell", 620.0, 620.0, 0.18, 0.0, 0.7),
    54: Drum("tambourine", 540.0, 540.0, 0.07, 0.4, 0.6),
    55: Drum("splash", 600.0, 480.0, 0.22, 0.5, 0.8),
    56: Drum("cowbell", 540.0, 540.0, 0.09),
    57: Drum("crash 2", 560.0, 400.0, 0.42, 0.5),
    58: Drum("rattle", 60.0, 40.0, 0.35, 0.2, 0.8),
    59: Drum("ride 2", 500.0, 450.0, 0.20, 0.3, 0.7),
    60: Drum("high bongo", 400.0, 360.0, 0.07),
    61: Drum("low bongo", 300.0, 260.0, 0.08),
    62: Drum("muted high conga", 330.0, 310.0, 0.05),
    63: Drum("open high conga", 300.0, 250.0, 0.12),
    64: Drum("low conga", 220.0, 180.0, 0.13),
    65: Drum("high timbale", 440.0, 390.0, 0.10, 0.05),
    66: Drum("low timbale", 330.0, 290.0, 0.11, 0.05),
    67: Drum("high agogo", 660.0, 660.0, 0.09),
    68: Drum("low agogo", 495.0, 495.0, 0.09),
    69: Drum("cabasa", 450.0, 450.0, 0.05, 0.5, 0.5),
    70: Drum("maracas", 520.0, 520.0, 0.03, 0.5, 0.5),
    71: Drum("short whistle", 700.0, 700.0, 0.09, 0.02, 0.8, WHISTLE),
    72: Drum("long whistle", 700.0, 690.0, 0.30, 0.02, 0.8, WHISTLE),
    73: Drum("short scrape", 90.0, 140.0, 0.08, 0.1, 0.8, GUIRO),
    74: Drum("long scrape", 70.0, 130.0, 0.25, 0.1, 0.8, GUIRO),
    75: Drum("claves", 640.0, 640.0, 0.025),
    76: Drum("high block", 580.0, 580.0, 0.03),
    77: Drum("low block", 440.0, 440.0, 0.035),
    78: Drum("muted friction drum", 280.0, 340.0, 0.09, 0.0, 0.8, CUICA),
    79: Drum("open friction drum", 240.0, 420.0, 0.20, 0.0, 0.8, CUICA),
    80: Drum("muted triangle", 680.0, 680.0, 0.04, 0.0, 0.5, TRIANGLE),
    81: Drum("open triangle", 680.0, 680.0, 0.30, 0.0, 0.5, TRIANGLE),
}
