"""What the instrument asks of a coil: the voices that should sound on it now.

These are the only values that pass from the instrument to the governor. Immutable, no units left
unsaid, no clock inside.
"""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple


class Hold(Enum):
    """Why a voice is still sounding."""

    HELD = "held"
    """The key is down."""
    PEDALLED = "pedalled"
    """The key is up; a pedal holds the note."""
    RELEASED = "released"
    """Key and pedal are up; the envelope is fading."""


class VoiceAsk(NamedTuple):
    """One pulse train asked of one coil.

    `voice_id` names one sounding of a note: as long as it stays the same the train keeps its
    phase, whatever rate and energy become; a new id (a re-struck note) starts a train anew.
    """

    voice_id: int
    break_rate_hz: float
    """Pulses per second asked, before any spread; > 0."""
    energy: float
    """Share of the coil's full-scale energy per bang at this pitch; 0 < energy <= 1."""
    note: int
    """MIDI note after folding, 0..127: decides who is top, bass or inner."""
    channel: int
    """MIDI channel 1..16."""
    hold: Hold
    started_s: float
    """When the note was struck, on the timeline."""
    priority: bool = False
    """True on the priority channel: among the last to be dropped."""
    bang_count: int = 0
    """Bangs to fire, 1..255, then silence; 0 = until changed (percussion uses counts)."""
    spread: float = 0.0
    """Random spread of every gap, as a share of the period, 0..0.5 (percussion)."""
    phase: float = 0.0
    """Share of a period, 0..1, from the start to the first pulse (octaves interleave)."""
