"""A button's loop on a serial adapter, RTS → CTS, and how it is asked whether it is closed. Pure.

A level that stays proves nothing: a wire that touches another, an adapter that froze or a driver
that answers from memory show the same. So RTS says a pattern, and CTS must say it back, step by
step. A plain square would be followed by a line that oscillates (a coil's own hum) just as well;
so each step pair is one bit of a pseudo-random row and its opposite. That keeps every level shorter
than three steps, which bounds how long a line stuck at either level can go unnoticed.

The row: x⁷ + x⁶ + 1, a maximal-length row of 127 bits (source: from memory; the test counts it).
DTR is never touched: it resets boards.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from bridge.stops.condition import Condition

STEP_S = 0.010
"""How long a level stands before it is looked at: several turns of a full-speed USB bus."""
LATE_S = 0.25
"""A loop that was not looked at STEPS_TO_NOTICE times in so long counts as absent: an adapter that
hangs, or answers so slowly that a press would be noticed too late."""
WRONG_OF_STEPS = 4
"""Two wrong answers among so many steps: not closed. One alone may be a coil's noise."""
CLOSED_AFTER_STEPS = 24
"""So many right answers in a row: closed (again). More than the row has in common anywhere with a
square of whole steps: sixteen were answered by a line that oscillated."""
STEPS_TO_NOTICE = 6
"""Opened or stuck: two wrong answers come within so many steps, whatever the pattern says, since
neither level is ever missing from three steps in a row."""
_SEED = 0x5A


@dataclass(frozen=True, slots=True)
class Finding:
    condition: Condition
    detail: str


def pattern_bit(state: int) -> tuple[int, int]:
    """(next state, bit) of the row; `state` is 1..127."""
    bit = (state >> 6 ^ state >> 5) & 1
    return (state << 1 | bit) & 0x7F, bit


class Challenge:
    """One loop. Every step: `answer` with what CTS says, then put `level` on RTS."""

    def __init__(self, seed: int = _SEED) -> None:
        """`seed`: 1..127, where the row begins."""
        if not 1 <= seed <= 127:
            raise ValueError(f"seed {seed} is outside 1..127")
        self._state = seed
        self._bit = 0
        self._second_half = False
        self._wrong: deque[bool] = deque(maxlen=WRONG_OF_STEPS)
        self._seen: deque[bool] = deque(maxlen=WRONG_OF_STEPS * 2)
        self._right_in_a_row = 0
        self.finding = Finding(Condition.ABSENT, "not looked at yet")
        self.level = self._next_level()
        """What RTS must say from now on."""

    def answer(self, cts: bool) -> Finding:
        """One step is over and CTS says this. Moves on to the next level."""
        right = cts == self.level
        self._wrong.append(not right)
        self._seen.append(cts)
        self._right_in_a_row = self._right_in_a_row + 1 if right else 0
        if sum(self._wrong) >= 2:
            self.finding = self._what_is_wrong()
        elif self._right_in_a_row >= CLOSED_AFTER_STEPS:
            self.finding = Finding(Condition.CLOSED, "follows its challenge")
        self.level = self._next_level()
        return self.finding

    def _what_is_wrong(self) -> Finding:
        if not any(self._seen):
            return Finding(Condition.PRESSED, "the loop is open")
        if all(self._seen):
            return Finding(Condition.BROKEN, "the line is stuck high")
        if self.finding.condition in (Condition.CLOSED, Condition.PRESSED) and not self._seen[-1]:
            # The wrong answers since it was whole were low: opened just now.
            return Finding(Condition.PRESSED, "the loop opened")
        return Finding(Condition.BROKEN, "the line does not follow its challenge")

    def _next_level(self) -> bool:
        if self._second_half:
            self._second_half = False
            return not self._bit
        self._state, self._bit = pattern_bit(self._state)
        self._second_half = True
        return bool(self._bit)
