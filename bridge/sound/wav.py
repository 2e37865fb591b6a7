"""A rehearsal as a sound file: its coils, and its backing audio where it has one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np

from bridge.config import Coil
from bridge.show.audio_process import load
from bridge.sound.synthesis import Floats, Synthesis, loudness, pans
from bridge.virtual_site import TimedPulse

RATE = 48_000
BLOCK_S = 5.0
TAIL_S = 0.5


class SoundError(Exception):
    """A sound file that cannot be read or written; the text says which and why."""


def write_wav(
    path: Path,
    coils: Sequence[Coil],
    pulses: Mapping[str, Sequence[TimedPulse]],
    seconds: float,
    *,
    backing: Path | None = None,
    delays_s: Mapping[str, float] | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> None:
    """16 bits, two channels, from second 0 of the pulses. Raises SoundError.

    `delays_s`: how long each coil's sound takes, against the loudspeakers', to who listens.
    """
    import soundfile  # noqa: PLC0415  # pyright: ignore[reportMissingTypeStubs]

    synthesis = Synthesis(RATE, pans(len(coils)))
    places: list[tuple[Floats, Floats]] = []
    for coil in coils:
        late_s = (delays_s or {}).get(coil.name, 0.0)
        found = pulses[coil.name]
        starts = np.array([p.start_s + late_s for p in found], dtype=np.float64) * RATE
        on_us = np.array([p.on_s * 1e6 for p in found], dtype=np.float64)
        places.append((starts, loudness(coil, on_us)))
    backed = None
    if backing is not None:
        try:
            backed = load(backing, 1.0, RATE)
        except (soundfile.LibsndfileError, OSError, ValueError) as error:
            raise SoundError(f"{backing}: cannot be read as sound: {error}") from error
    last_s = seconds if backed is None else max(seconds, len(backed) / RATE)
    frames = round((last_s + TAIL_S) * RATE)
    try:
        with soundfile.SoundFile(
            str(path), "w", samplerate=RATE, channels=2, format="WAV", subtype="PCM_16"
        ) as file:
            for first in range(0, frames, round(BLOCK_S * RATE)):
                count = min(round(BLOCK_S * RATE), frames - first)
                now: dict[int, tuple[Floats, Floats]] = {}
                for index, (starts, loud) in enumerate(places):
                    low, high = np.searchsorted(starts, [first, first + count])
                    low = 0 if first == 0 else low  # what fired before the begin sounds with it
                    now[index] = starts[low:high], loud[low:high]
                block = synthesis.block(count, now)
                if backed is not None and first < len(backed):
                    heard = backed[first : first + count]
                    block = 0.5 * block
                    block[: len(heard)] += 0.5 * heard
                file.write(block)  # pyright: ignore[reportUnknownMemberType]
                progress(min(1.0, (first + count) / frames))
    except (soundfile.LibsndfileError, OSError) as error:
        raise SoundError(f"{path}: cannot be written: {error}") from error
