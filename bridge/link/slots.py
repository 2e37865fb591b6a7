"""Lawful voices → the slots of a voices frame, for one output. Pure.

Keeps which voice sits in which slot and its start number, so that a voice keeps its train and its
phase for as long as it sounds, and turns hertz and microseconds into the board's own ticks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bridge.clocks import MusicS
from bridge.governor.governor import LawfulVoice
from firmware_protocol.messages import MAX_SLOTS, PERIOD_UNITS_PER_TICK, STEP_UNITS, Slot

MOTION_S = 0.009
"""Motion frames come this far apart; a change of period is spread over a little less."""
_RAMP_S: Final = 0.8 * MOTION_S
_SETTLED_S: Final = 0.03
"""After this long without change a voice's period is simply its period: no ramp is left."""
_JUMP_SHARE: Final = 0.06
"""A change of period by more than this (a semitone) is a jump."""
_HEARD_S = 0.15
"""After this long a frame's change has been heard for certain, one lost refresh included."""


@dataclass(slots=True)
class _Seat:
    voice_id: int
    start: int
    period: int
    step: int
    behind: int
    """How far the board's period was from its target, at most, when the target last changed."""
    changed_s: float
    jump: int = 0
    """The last large change of period, and until when its frame may have been lost."""
    jump_until_s: float = -math.inf

    def copy(self) -> _Seat:
        return _Seat(
            self.voice_id, self.start, self.period, self.step, self.behind, self.changed_s,
            self.jump, self.jump_until_s,
        )  # fmt: skip

    def move_to(self, period: int, now_s: float, tick_hz: float, heard_s: float) -> None:
        """A new target: the step that takes the board there within _RAMP_S."""
        # What an earlier ramp has still to go comes on top: changes may come faster than ramps
        # end, and a step for the newest change alone would let the board fall ever further back.
        left = max(0.0, 1 - (now_s - self.changed_s) / _RAMP_S) if self.step else 0.0
        distance = abs(period - self.period) + math.ceil(self.behind * left)
        longest_s = max(period, self.period) / PERIOD_UNITS_PER_TICK / tick_hz
        pulses = math.floor(_RAMP_S / longest_s)
        self.step = 0
        self.behind = 0
        # A frame that carried a jump may have been lost. The small steps of a vibrato would then
        # let the board crawl: for as long as that may be, a step is good for the jump as well.
        if distance > _JUMP_SHARE * self.period:
            self.jump, self.jump_until_s = distance, now_s + heard_s
        if pulses > 1:
            farthest = max(distance, self.jump if now_s < self.jump_until_s else 0)
            self.step = min(0xFFFF, math.ceil(farthest / (pulses * STEP_UNITS)))
            self.behind = distance
        self.period = period
        self.changed_s = now_s


@dataclass(frozen=True, slots=True)
class Seating:
    """Who sat where, once."""

    seats: tuple[_Seat | None, ...]
    free_since: tuple[float, ...]


class SlotMap:
    """Seats of one output. `early_s`: what was said may be taken back so long after (coil_line.py),
    and what took its place be lost as well."""

    def __init__(self, slots: int = MAX_SLOTS, *, early_s: float = 0.0) -> None:
        self._heard_s = _HEARD_S + early_s
        self._seats: list[_Seat | None] = [None] * slots
        self._starts = [0] * slots
        self._free_since = [0.0] * slots

    def clear(self) -> None:
        """Forgets all voices (a new session begins)."""
        for index in range(len(self._seats)):
            self._seats[index] = None

    def seating(self) -> Seating:
        """As it is now, to come back to."""
        seats = tuple([None if seat is None else seat.copy() for seat in self._seats])
        return Seating(seats, tuple(self._free_since))

    def back_to(self, then: Seating, at_s: MusicS) -> None:
        """What was said since is taken back, from `at_s` on. It may all the same have been heard:
        start numbers given since are not given again, and a period may be away from its old place.
        """
        now = {seat.voice_id: seat for seat in self._seats if seat is not None}
        self._seats = [None if seat is None else seat.copy() for seat in then.seats]
        self._free_since = list(then.free_since)
        for seat in self._seats:
            later = None if seat is None else now.get(seat.voice_id)
            if seat is None or later is None or later.period == seat.period:
                continue
            seat.jump = max(seat.jump, later.jump, abs(later.period - seat.period))
            seat.jump_until_s = at_s + self._heard_s

    def seat(
        self, now_s: MusicS, voices: Sequence[LawfulVoice], tick_hz: float
    ) -> tuple[Slot | None, ...]:
        """The frame's slots. `tick_hz`: the board's ticks a host second. At most 4 voices."""
        wanted = [v.voice_id for v in voices]
        seats = self._seats
        seated: dict[int, int] = {}
        for index, seat in enumerate(seats):
            if seat is None:
                continue
            if seat.voice_id in wanted:
                seated[seat.voice_id] = index
            else:
                seats[index] = None
                self._free_since[index] = now_s
        result: list[Slot | None] = [None] * len(seats)
        for voice in voices:
            known = seated.get(voice.voice_id)
            index = self._take_seat() if known is None else known
            result[index] = self._slot(now_s, index, voice, tick_hz)
        while result and result[-1] is None:
            result.pop()
        return tuple(result)

    def _take_seat(self) -> int:
        # The longest free slot: its old start number is the least likely to be in flight still.
        free = [i for i, seat in enumerate(self._seats) if seat is None]
        index = min(free, key=lambda i: (self._free_since[i], i))
        self._starts[index] = (self._starts[index] + 1) & 0xFF
        return index

    def _slot(self, now_s: float, index: int, voice: LawfulVoice, tick_hz: float) -> Slot:
        period = round(tick_hz * PERIOD_UNITS_PER_TICK / voice.break_rate_hz)
        seat = self._seats[index]
        if seat is None:
            start = self._starts[index]
            seat = self._seats[index] = _Seat(voice.voice_id, start, period, 0, 0, now_s)
        elif period != seat.period:
            seat.move_to(period, now_s, tick_hz, self._heard_s)
        elif seat.step and now_s - seat.changed_s > _SETTLED_S:
            seat.step = seat.behind = 0
        return Slot(
            seat.start,
            voice.bang_count,
            min(128, int(voice.spread * 256)),
            min(255, int(voice.phase * 256)),
            max(1, int(voice.on_time_us * tick_hz * 1e-6)),
            seat.step,
            period,
        )
