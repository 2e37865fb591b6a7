"""What a sender of time code labels its frames with: by writing every label down in turn."""

from __future__ import annotations

from functools import cache

from bridge.show.timecode import FrameRate, Timecode

LABELS = {
    FrameRate.FPS_24: 24,
    FrameRate.FPS_25: 25,
    FrameRate.FPS_30_DROP: 30,
    FrameRate.FPS_30: 30,
}
"""In a labelled second (SMPTE ST 12-1)."""


@cache
def ten_minutes(rate: FrameRate) -> tuple[tuple[int, int, int], ...]:
    """(minute, second, frame) of every label there is. Drop-frame leaves out 00 and 01 of the first
    second of every minute that is no multiple of ten (SMPTE ST 12-1)."""
    return tuple(
        (minute, second, frame)
        for minute in range(10)
        for second in range(60)
        for frame in range(LABELS[rate])
        if not (rate is FrameRate.FPS_30_DROP and minute and not second and frame < 2)
    )


def label(count: int, rate: FrameRate) -> Timecode:
    """Of the frame `count` frames after midnight."""
    tens, rest = divmod(count, len(ten_minutes(rate)))
    minute, second, frame = ten_minutes(rate)[rest]
    return Timecode(tens // 6 % 24, tens % 6 * 10 + minute, second, frame, rate)
