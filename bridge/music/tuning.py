"""Twelve-tone equal temperament: note numbers (fractions allowed) to hertz and back.

Source: MIDI 1.0 note numbers (69 = A4), ISO 16:1975 (A4 = 440 Hz unless the site says otherwise).
"""

from __future__ import annotations

from math import log2

A4_NOTE = 69
SEMITONES_PER_OCTAVE = 12
CENTS_PER_OCTAVE = 1200.0


def note_to_hz(note: float, a4_hz: float = 440.0) -> float:
    """The frequency of a MIDI note number, in hertz; `note` may be a fraction or out of 0..127."""
    return a4_hz * 2.0 ** ((note - A4_NOTE) / SEMITONES_PER_OCTAVE)


def hz_to_note(frequency_hz: float, a4_hz: float = 440.0) -> float:
    """The (fractional) note number of a frequency above 0 Hz. Raises ValueError at or below 0."""
    return A4_NOTE + SEMITONES_PER_OCTAVE * log2(frequency_hz / a4_hz)


def cents_between(first_hz: float, second_hz: float) -> float:
    """How far the second frequency lies above the first, in cents; both above 0 Hz."""
    return CENTS_PER_OCTAVE * log2(second_hz / first_hz)
