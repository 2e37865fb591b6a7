"""The controller's inputs: e-stop A and B, key, local stop, ready inputs, line, pin read-back.

Turns raw levels and times into what PROTOCOL.md calls open and closed (section 5: opening counts
at once, closing after 100 ms), keeps the proofs of the e-stop inputs, and names the cause of a
trip. It never changes the state itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from firmware_protocol.catalogue import Cause
from firmware_protocol.messages import (
    INPUT_ESTOP_A,
    INPUT_ESTOP_B,
    INPUT_KEY,
    INPUT_LOCAL_STOP,
    INPUT_READY_1,
)

from .simulated_settings import CLOSING_TICKS, DISAGREE_TICKS, FOREVER


@dataclass(slots=True)
class EstopInput:
    """One e-stop input. `closed` is what counts; `level` is what the pin says."""

    level: bool = True
    closed: bool = True
    seen_open: bool = False
    proven: bool = False
    closes_at: int = FOREVER

    def start(self) -> None:
        """The program starts: the level is taken as it is, what was seen before is forgotten."""
        self.closed = self.level
        self.seen_open = not self.level
        self.proven = False
        self.closes_at = FOREVER

    def set_level(self, tick: int, level: bool) -> bool:
        """True if this opening is a trip even while locked: not the first since power-up."""
        if level == self.level:
            return False
        self.level = level
        if level:
            self.closes_at = tick + CLOSING_TICKS
            return False
        self.closes_at = FOREVER
        if not self.closed:
            return False
        self.closed = False
        first = not self.seen_open
        self.seen_open = True
        return not first

    def count_closed(self, tick: int) -> None:
        """Closed for long enough by `tick`: it counts, and is the proof."""
        if tick >= self.closes_at:
            self.closed = True
            self.proven = True
            self.closes_at = FOREVER


class Inputs:
    """All inputs of a board; levels persist through a reset of the program."""

    def __init__(self, outputs: int) -> None:
        self.estop_a = EstopInput()
        self.estop_b = EstopInput()
        self.key_on = True
        self.local_stop = False
        self.ready = [True] * outputs
        self.line_low = False
        self.pin_mismatch = False
        self._disagreeing = False
        self._disagree_at = FOREVER

    def start(self, tick: int) -> None:
        """The program starts at `tick`."""
        self.estop_a.start()
        self.estop_b.start()
        self.watch_anew(tick)

    def watch_anew(self, tick: int) -> None:
        """Counts the time of a disagreement from `tick` on, even one that began before."""
        self._disagreeing = False
        self._watch_agreement(tick)

    @property
    def next_event(self) -> int:
        """The tick at which something counts without any level changing."""
        return min(self.estop_a.closes_at, self.estop_b.closes_at, self._disagree_at)

    @property
    def any_estop_open(self) -> bool:
        return not (self.estop_a.closed and self.estop_b.closed)

    @property
    def proofs(self) -> int:
        """Bit 0, 1: e-stop A, B proven."""
        return self.estop_a.proven | self.estop_b.proven << 1

    def bits(self) -> int:
        """The inputs as status shows them."""
        bits = INPUT_ESTOP_A if self.estop_a.closed else 0
        bits |= INPUT_ESTOP_B if self.estop_b.closed else 0
        bits |= INPUT_KEY if self.key_on else 0
        bits |= INPUT_LOCAL_STOP if self.local_stop else 0
        for output in range(4):
            if output >= len(self.ready) or self.ready[output]:
                bits |= INPUT_READY_1 << output
        return bits

    def set_estops(self, tick: int, a: bool | None, b: bool | None, *, locked: bool) -> Cause:
        """New levels (True = closed, None = as before). ESTOP_OPEN if an opening is a trip.

        While locked the first opening of each input is its proof test, and none.
        """
        opened = False
        for contact, level in ((self.estop_a, a), (self.estop_b, b)):
            if level is None:
                continue
            was_closed = contact.closed
            again = contact.set_level(tick, level)
            opened |= again or (was_closed and not contact.closed and not locked)
        self._watch_agreement(tick)
        return Cause.ESTOP_OPEN if opened else Cause.NONE

    def count(self, tick: int) -> Cause:
        """What counts by `tick` because of the time alone. ESTOP_DISAGREE if that is a trip."""
        disagreed = tick >= self._disagree_at
        if disagreed:
            self._disagree_at = FOREVER
        self.estop_a.count_closed(tick)
        self.estop_b.count_closed(tick)
        self._watch_agreement(tick)
        return Cause.ESTOP_DISAGREE if disagreed else Cause.NONE

    def _watch_agreement(self, tick: int) -> None:
        if self.estop_a.closed == self.estop_b.closed:
            self._disagree_at = FOREVER
            self._disagreeing = False
        elif not self._disagreeing:
            self._disagreeing = True
            self._disagree_at = tick + DISAGREE_TICKS

    def all_ready(self, outputs: Iterable[int]) -> bool:
        """True if every one of `outputs` is ready."""
        return all(self.ready[output] for output in outputs)

    def remains(self, cause: Cause, outputs_with_limits: Iterable[int]) -> bool:
        """True while the cause of a trip still lasts (section 5, third column)."""
        match cause:
            case Cause.ESTOP_OPEN | Cause.ESTOP_DISAGREE:
                return self.any_estop_open
            case Cause.KEY_OFF:
                return not self.key_on
            case Cause.LOCAL_STOP:
                return self.local_stop
            case Cause.LINE_BREAK:
                return self.line_low
            case Cause.PIN_MISMATCH:
                return self.pin_mismatch
            case Cause.NOT_READY:
                return not self.all_ready(outputs_with_limits)
            case _:
                return False
