"""Why music was held back: typed, with numbers, for the panel and the journal."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple


class Limit(Enum):
    """Which limit bit."""

    DUTY = "duty"
    """On-time in a window; in percent."""
    BREAK_RATE = "break rate"
    """Pulses in any one second; in hertz."""
    OFF_TIME = "off-time"
    """Pulses and off-times fill the time; in percent of it."""
    ON_TIME = "on-time"
    """The longest pulse allowed at this pitch is no longer than breakout; in µs."""
    VOICES = "voices"
    """Number of trains on the coil."""
    MAINS = "the site's mains"
    """The coil's part of the site's mains budget; in amperes."""
    COIL = "the coil's ratings"
    """Recharging the bus, heating of capacitor and switches; in percent."""
    RESERVE = "reserve"
    """What a window keeps for starts, ends and late pulses; in µs (starts where window is 0)."""


class Effect(Enum):
    """What was done about it."""

    SHORTENED = "shortened"
    """On-times lie below what was asked."""
    STEPPED = "stepped"
    """The law asked for a bigger step at once than the gentle one."""
    DROPPED = "dropped"
    """The voice is silent; it returns when there has been room for a while."""


UNITS = {
    Limit.DUTY: " %",
    Limit.BREAK_RATE: " Hz",
    Limit.OFF_TIME: " %",
    Limit.ON_TIME: " µs",
    Limit.VOICES: "",
    Limit.MAINS: " A",
    Limit.COIL: " %",
    Limit.RESERVE: "",
}
"""Of each limit's numbers, as put behind them."""


@dataclass(frozen=True, slots=True)
class HeldBack:
    """One limit that bit, and on whom."""

    limit: Limit
    effect: Effect
    window_ms: int
    """The duty window, 1000 for the break rate, 0 where there is none."""
    asked: float
    allowed: float
    """Both in the unit of the limit."""
    voice_ids: tuple[int, ...]

    def sentence(self) -> str:
        """For people."""
        window = f" in {self.window_ms} ms" if self.window_ms else ""
        unit = UNITS[self.limit]
        voices = "1 voice" if len(self.voice_ids) == 1 else f"{len(self.voice_ids)} voices"
        return (
            f"{voices} {self.effect.value}: {self.limit.value}{window} {self.asked:.4g}{unit} "
            f"asked, {self.allowed:.4g}{unit} allowed"
        )


class Meters(NamedTuple):
    """What the coil is being told now."""

    duty_shares: tuple[tuple[int, float], ...]
    """For each duty window: its length in ms, and the commanded duty as a share of its limit."""
    break_rate_hz: float
    """All voices together."""
    scale: float
    """0..1: how far on-times reach from breakout to what was asked."""
    mains_a: float = 0.0
    """Mean mains current at most; 0 where it is not known."""
