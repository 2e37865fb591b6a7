"""Voices frames: what sounds on an output, and until when that stays true. Sans I/O."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.clocks import HostS
from firmware_protocol import messages as m

from .clock import Clock

REFRESH_S = 0.037
"""An armed host says this often what sounds, silence included."""
LEASE_S = 0.2
"""How far ahead expiry is set; PROTOCOL.md takes at most 250 ms."""
VOICES_FRAME_BYTES = 71
"""A voices frame with four slots on the wire."""


class Renewal:
    """Numbers the voices frames of a session, each output by itself."""

    def __init__(self, outputs: Iterable[int]) -> None:
        self._session_number: int | None = None
        self._numbers = dict.fromkeys(outputs, 0)

    def voices(
        self,
        now_s: HostS,
        output: int,
        slots: tuple[m.Slot | None, ...],
        apply_s: HostS | None,
        *,
        session_number: int,
        clock: Clock,
        forget_later: bool,
    ) -> m.Voices:
        """Puts `slots` in force at `apply_s` (None: on arrival). `clock`: the board's."""
        if session_number != self._session_number:
            self._session_number = session_number
            self._numbers = dict.fromkeys(self._numbers, 0)
        number = self._numbers[output] = (self._numbers[output] + 1) & 0xFFFF
        flags = m.FLAG_FORGET_LATER if forget_later else 0
        if apply_s is None:
            flags |= m.FLAG_IMMEDIATE
        apply_at = 0 if apply_s is None else clock.tick_at(apply_s)
        expiry = clock.tick_at(HostS(now_s + LEASE_S))
        return m.Voices(session_number, output, number, flags, apply_at, expiry, slots)
