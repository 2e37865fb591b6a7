"""SMPTE time code: labels of frames → counts of frames → seconds. Pure.

Drop-frame counting leaves out the labels 00 and 01 of every minute that is no multiple of ten
(SMPTE ST 12-1), so that 30,000/1,001 frames a second stay beside the time of day: 17,982 frames in
ten minutes, 107,892 in an hour, 2,589,408 in a day.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction

_TEXT = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})[:;.](\d{2})$")


class FrameRate(Enum):
    """The four rates of MIDI Time Code: (its two bits there, labels a second, frames a second)."""

    FPS_24 = (0, 24, Fraction(24))
    FPS_25 = (1, 25, Fraction(25))
    FPS_30_DROP = (2, 30, Fraction(30_000, 1001))
    FPS_30 = (3, 30, Fraction(30))

    @property
    def labels(self) -> int:
        """Frame labels in one labelled second."""
        return self.value[1]

    @property
    def frames_per_s(self) -> Fraction:
        return self.value[2]

    @classmethod
    def of_bits(cls, bits: int) -> FrameRate:
        """By the two bits of MIDI Time Code."""
        return next(rate for rate in cls if rate.value[0] == bits)


RATE_NAMES = {
    "24": FrameRate.FPS_24,
    "25": FrameRate.FPS_25,
    "29.97 drop": FrameRate.FPS_30_DROP,
    "30": FrameRate.FPS_30,
}


@dataclass(frozen=True, slots=True)
class Timecode:
    """One frame's label. Raises ValueError for a label that its rate has not."""

    hours: int
    minutes: int
    seconds: int
    frames: int
    rate: FrameRate

    def __post_init__(self) -> None:
        if not (
            0 <= self.hours < 24
            and 0 <= self.minutes < 60
            and 0 <= self.seconds < 60
            and 0 <= self.frames < self.rate.labels
        ):
            raise ValueError(f"{self}: no such time at this frame rate")
        dropped = self.rate is FrameRate.FPS_30_DROP and self.minutes % 10 and not self.seconds
        if dropped and self.frames < 2:
            raise ValueError(f"{self}: this label is left out in drop-frame counting")

    def __str__(self) -> str:
        mark = ";" if self.rate is FrameRate.FPS_30_DROP else ":"
        return f"{self.hours:02}:{self.minutes:02}:{self.seconds:02}{mark}{self.frames:02}"

    @property
    def count(self) -> int:
        """Frames since midnight."""
        minutes = self.hours * 60 + self.minutes
        count = (minutes * 60 + self.seconds) * self.rate.labels + self.frames
        if self.rate is FrameRate.FPS_30_DROP:
            count -= 2 * (minutes - minutes // 10)
        return count

    @property
    def position_s(self) -> float:
        """Seconds since midnight in which so many frames really pass."""
        return float(self.count / self.rate.frames_per_s)

    @classmethod
    def parse(cls, text: str, rate: FrameRate) -> Timecode:
        """ "01:00:00:00" (";" before the frames is taken too). Raises ValueError."""
        match = _TEXT.match(text)
        if match is None:
            raise ValueError(f'"{text}" is no time code: write hours:minutes:seconds:frames')
        hours, minutes, seconds, frames = (int(part) for part in match.groups())
        return cls(hours, minutes, seconds, frames, rate)
