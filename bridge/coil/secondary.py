"""The secondary as the primary sees it: a second resonant circuit, coupled. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

_STRUCK_QUALITY = 1e-3
"""A secondary with this quality is a short circuit."""


@dataclass(frozen=True, slots=True)
class SecondaryCircuit:
    frequency_hz: float
    coupling: float
    own_quality: float = 150.0
    """Unloaded (common practice, no source: 100 to 250)."""
    load_quality: float = math.inf
    """Rₐ/(ω₂·L₂) of an arc across it; infinite: none."""

    def struck(self) -> SecondaryCircuit:
        """With its top shorted to ground by an arc."""
        return SecondaryCircuit(self.frequency_hz, self.coupling, self.own_quality, _STRUCK_QUALITY)
