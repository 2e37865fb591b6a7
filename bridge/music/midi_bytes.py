"""Is this one complete MIDI message? (MIDI 1.0: status byte, then data bytes below 0x80.)"""

from __future__ import annotations

NOTE_OFF = 0x8
NOTE_ON = 0x9
POLY_PRESSURE = 0xA
CONTROL_CHANGE = 0xB
PROGRAM_CHANGE = 0xC
CHANNEL_PRESSURE = 0xD
PITCH_BEND = 0xE
SYSTEM = 0xF

SYSEX_START = 0xF0
SYSEX_END = 0xF7
ACTIVE_SENSING = 0xFE
SYSTEM_RESET = 0xFF

_CHANNEL_LENGTH = {8: 3, 9: 3, 10: 3, 11: 3, 12: 2, 13: 2, 14: 3}
_SYSTEM_LENGTH = {
    0xF1: 2,  # time code quarter frame
    0xF2: 3,  # song position
    0xF3: 2,  # song select
    0xF6: 1,  # tune request
    0xF8: 1,  # clock
    0xFA: 1,  # start
    0xFB: 1,  # continue
    0xFC: 1,  # stop
    ACTIVE_SENSING: 1,
    SYSTEM_RESET: 1,
}
"""Status bytes not listed (F4, F5, F9, FD, a lone F7) are undefined."""


def is_whole_message(data: bytes) -> bool:
    """True for exactly one well-formed channel, system or system exclusive message."""
    if not data or data[0] < 0x80:
        return False
    status = data[0]
    if status == SYSEX_START:
        return len(data) >= 2 and data[-1] == SYSEX_END and max(data[1:-1], default=0) < 0x80
    known = _SYSTEM_LENGTH.get(status) if status > SYSEX_START else _CHANNEL_LENGTH[status >> 4]
    return len(data) == known and max(data[1:], default=0) < 0x80
