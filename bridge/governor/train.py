"""What the governor remembers of one voice for as long as it is asked for. Pure."""

from __future__ import annotations

import math
from typing import Final

from bridge.music.voices import VoiceAsk

from .reasons import HeldBack

RAMP_S: Final = 0.03
"""A change of period has reached its target this long after its frame was applied."""


class Train:
    """One voice: its rates of late, its on-times, and whether it is dropped or over."""

    __slots__ = (
        "_block_end_s",
        "_fastest_hz",
        "_fastest_hz_before",
        "_hold_s",
        "_slowest_hz",
        "asked_us",
        "break_rate_hz",
        "cap",
        "dropped",
        "fired",
        "full_us",
        "on_us",
        "pace_hz",
        "room_since_s",
        "spent",
        "spread",
    )  # fmt: skip

    def __init__(self, hold_s: float) -> None:
        self._hold_s = hold_s
        self._fastest_hz: float = 0.0
        self._fastest_hz_before: float = 0.0
        self._slowest_hz: float = math.inf
        self._block_end_s: float = -math.inf
        self.break_rate_hz: float = 0.0
        self.spread: float = 0.0
        self.pace_hz: float = 0.0
        """Fastest rate of any gap now or lately, spread included: what the law reckons with."""
        self.full_us = 0.0
        """Full scale at this pitch."""
        self.asked_us = 0.0
        self.cap = math.inf
        """Highest scale it takes: a new voice begins where the scale is heading, not above."""
        self.on_us = 0.0
        """As commanded last; 0: silent."""
        self.fired = 0.0
        self.spent = False
        """Its bangs are surely over: it takes up no room any more."""
        self.dropped: HeldBack | None = None
        self.room_since_s = math.inf
        """Since when a dropped voice has had room; inf: it has none; nan: nobody has looked."""

    @property
    def settled(self) -> bool:
        """Is its pace its present rate, and nothing faster of late?"""
        return self._fastest_hz == self._fastest_hz_before

    @property
    def waiting(self) -> bool:
        """Dropped, and time alone may bring it back."""
        return self.dropped is not None and self.room_since_s != math.inf

    def keep_pace(self, now_s: float, ask: VoiceAsk) -> bool:
        """Takes in the rate asked; True when rate or spread is new.

        A gap reckoned at an older, faster rate ends within H, a ramp, and two periods of that
        rate. The fastest of two blocks at least that long is the pace.
        """
        changed = ask.break_rate_hz != self.break_rate_hz or ask.spread != self.spread
        rolled = now_s >= self._block_end_s
        if not changed and (not rolled or self._fastest_hz == self._fastest_hz_before):
            return False
        pace_hz = ask.break_rate_hz / (1 - ask.spread)
        lower = ask.break_rate_hz < self._slowest_hz
        if lower:
            self._slowest_hz = ask.break_rate_hz
        if rolled or lower:
            memory_s = self._hold_s + RAMP_S + 2 / self._slowest_hz
            self._block_end_s = max(self._block_end_s, now_s + memory_s)
        if rolled:
            self._fastest_hz_before = self._fastest_hz or pace_hz
            self._fastest_hz = pace_hz
        elif pace_hz > self._fastest_hz:
            self._fastest_hz = pace_hz
        self.pace_hz = max(self._fastest_hz, self._fastest_hz_before)
        self.break_rate_hz = ask.break_rate_hz
        self.spread = ask.spread
        return changed

    def count_bangs(self, ask: VoiceAsk, passed_s: float) -> None:
        """Reckons, cautiously, how many of its bangs a burst has fired."""
        if self.on_us > 0 and not self.spent:
            slow_hz = min(self.break_rate_hz, ask.break_rate_hz) / (1 + ask.spread)
            self.fired += slow_hz * passed_s
            # Its start may come late by H, its first pulse by a period, its last by half of one.
            self.spent = self.fired > ask.bang_count + 2 + slow_hz * self._hold_s
