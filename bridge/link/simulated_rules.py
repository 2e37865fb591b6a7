"""What the simulated controller checks before it obeys (PROTOCOL.md, sections 6 and 7).

Pure checks, each returning the reason of refusal or None, and the nonce that arming and reset use
up. Nothing here changes a state.
"""

from __future__ import annotations

from firmware_protocol.catalogue import Reason
from firmware_protocol.messages import Ceilings, OutputLimits, Slot

from .simulated_settings import NONCE_LIFE_TICKS

SHORTEST_WINDOW_MS = 5
LONGEST_WINDOW_MS = 10_000
SHORTEST_ON_TICKS = 2
SHORTEST_PERIOD = 51_200
"""200 ticks, in 1/256 tick."""
MOST_SPREAD = 128


def _window_is_bad(window_ms: int, window_ticks: int) -> bool:
    if window_ms == 0:
        return window_ticks != 0
    return not SHORTEST_WINDOW_MS <= window_ms <= LONGEST_WINDOW_MS or window_ticks < 1


def _window_loosens(new_ms: int, new_ticks: int, old_ms: int, old_ticks: int) -> bool:
    return old_ms != 0 and (new_ms != old_ms or new_ticks > old_ticks)


def check_limits(
    new: OutputLimits, ceilings: Ceilings, in_force: OutputLimits | None
) -> Reason | None:
    """Limits for an output that exists, on a locked board."""
    if (
        new.max_on_ticks < 1
        or new.max_starts_1s < 1
        or new.max_duty_1s_ticks < 1
        or _window_is_bad(new.window2_ms, new.window2_ticks)
        or _window_is_bad(new.window3_ms, new.window3_ticks)
    ):
        return Reason.BAD_LIMITS
    if _looser(new, ceilings):
        return Reason.ABOVE_CEILING
    if in_force is not None and (
        _looser(new, in_force)
        or _window_loosens(
            new.window2_ms, new.window2_ticks, in_force.window2_ms, in_force.window2_ticks
        )
        or _window_loosens(
            new.window3_ms, new.window3_ticks, in_force.window3_ms, in_force.window3_ticks
        )
    ):
        return Reason.WOULD_LOOSEN
    return None


def _looser(new: OutputLimits, than: Ceilings | OutputLimits) -> bool:
    return (
        new.max_on_ticks > than.max_on_ticks
        or new.min_off_ticks < than.min_off_ticks
        or new.max_starts_1s > than.max_starts_1s
        or new.max_duty_1s_ticks > than.max_duty_1s_ticks
    )


def slots_are_lawful(slots: tuple[Slot | None, ...]) -> bool:
    """Check 6 of a voices frame: every slot can be scheduled at all."""
    for slot in slots:
        if slot is not None and (
            slot.on_ticks < SHORTEST_ON_TICKS
            or slot.period < SHORTEST_PERIOD
            or slot.spread > MOST_SPREAD
        ):
            return False
    return True


class Nonces:
    """Issues nonces and session numbers from one count; only the last nonce is ever good."""

    def __init__(self, boot_id: int) -> None:
        self._high = (boot_id & 0xFFFF) << 16
        self._count = 0
        self._good: int | None = None
        self._issued_at = 0

    def number(self) -> int:
        """The next number of the count: 1 … 65,535, then 1 again."""
        self._count = self._count % 0xFFFF + 1
        return self._high | self._count

    def issue(self, tick: int) -> int:
        """A fresh nonce; the one before is good no more."""
        self._good = self.number()
        self._issued_at = tick
        return self._good

    def use_up(self, tick: int, nonce: int) -> bool:
        """True if `nonce` is good at `tick`. No nonce is good after this."""
        good, self._good = self._good, None
        return good is not None and nonce == good and tick - self._issued_at <= NONCE_LIFE_TICKS
