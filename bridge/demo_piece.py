"""Our own short piece for two coils: "Lanterns over the depot yard". Pure data and arithmetic.

About fifteen seconds: a lamplighter's tune on Larkspur, a walking bass and off-beats on Foxglove,
then bursts. Written for this project; nothing is borrowed.
"""

from __future__ import annotations

BEAT_S = 60 / 132
_TUNE = (  # (beat, MIDI note, beats, velocity), channel 1
    (0, 62, 1.0, 84), (1, 65, 0.5, 78), (1.5, 69, 0.5, 82), (2, 74, 1.5, 104), (3.5, 72, 0.5, 84),
    (4, 69, 1.0, 92), (5, 67, 0.5, 80), (5.5, 65, 0.5, 76), (6, 64, 1.5, 90), (7.5, 62, 0.5, 70),
    (8, 60, 1.0, 80), (9, 64, 0.5, 78), (9.5, 67, 0.5, 82), (10, 72, 1.5, 108), (11.5, 71, 0.5, 84),
    (12, 69, 2.0, 96), (14, 62, 0.5, 70), (14.5, 65, 0.5, 76), (15, 69, 0.5, 84),
    (15.5, 74, 0.5, 96), (16, 77, 1.5, 112), (17.5, 76, 0.5, 92), (18, 74, 1.0, 100),
    (19, 72, 1.0, 90), (20, 74, 1.5, 104), (21.5, 69, 0.5, 80), (22, 67, 1.0, 84),
    (23, 65, 1.0, 80),
    (24, 62, 1.0, 86), (25, 65, 1.0, 84), (26, 64, 1.0, 84), (27, 61, 1.0, 92), (28, 62, 4.0, 110),
)  # fmt: skip
_BASS = (
    38,
    45,
    41,
    45,
    36,
    43,
    40,
    43,
    36,
    43,
    40,
    43,
    33,
    40,
    37,
    40,
    34,
    41,
    38,
    41,
    38,
    45,
    41,
    45,
    31,
    38,
    33,
    33,
    38,
)  # one a beat, channel 2; fmt: skip
_CHORDS = {8: (55, 60, 64), 12: (57, 61, 64), 16: (58, 62, 65), 20: (57, 62, 65), 28: (50, 57, 65)}
END_BEAT = 33.0


def piece() -> list[tuple[float, bytes]]:
    """(seconds, MIDI message) in order; every note that begins also ends."""
    events: list[tuple[float, int, bytes]] = []

    def note(beat: float, channel: int, pitch: int, beats: float, velocity: int) -> None:
        start = beat * BEAT_S
        events.append((start, 1, bytes((0x90 | channel - 1, pitch, velocity))))
        end = start + beats * BEAT_S * 0.94
        events.append((end, 0, bytes((0x80 | channel - 1, pitch, 0))))

    events.append((0.0, 0, bytes((0xC0, 19))))  # a sustaining organ for the tune
    events.append((0.0, 0, bytes((0xC1, 33))))
    events.append((0.0, 0, bytes((0xC2, 48))))
    for beat, pitch, beats, velocity in _TUNE:
        note(beat, 1, pitch, beats, velocity)
    for beat, pitch in enumerate(_BASS):
        note(beat, 2, pitch, 0.8, 88)
    for beat, chord in _CHORDS.items():
        for pitch in chord:
            note(beat, 3, pitch, 3.6, 66)
    for beat in range(16, 28):
        note(beat, 10, 36 if beat % 2 == 0 else 38, 0.25, 100)
        note(beat + 0.5, 10, 42, 0.25, 70)
    # A bend and a vibrato on the last long note.
    for step in range(40):
        value = 8192 + round(1365 * step / 39)
        at = (28.5 + step * 0.025) * BEAT_S
        events.append((at, 2, bytes((0xE0, value & 0x7F, value >> 7))))
    events.append((30.0 * BEAT_S, 2, bytes((0xB0, 1, 90))))
    events.append((END_BEAT * BEAT_S, 3, bytes((0xB0, 121, 0))))
    return [(at, message) for at, _, message in sorted(events)]
