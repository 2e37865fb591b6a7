"""What pulses sound like: one pressure pulse for each bang, coils side by side. Pure, numpy.

A spark heats its channel at once, and the air answers with a short push and a pull behind it (the
N-wave of a spark, standard acoustics). Here that is the derivative of a Gaussian, `PUSH_S` from
peak to dip, whose sound energy is in proportion to the bang's: its pressure goes as the root.
Each bang stands where it was fired, to a thirty-second of a sample, so that pitch is exact.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from bridge.coil.curves import curves_of
from bridge.config import Coil

Floats = npt.NDArray[np.float64]
Samples = npt.NDArray[np.float32]
"""(frames, 2), left and right, -1 to 1."""

PUSH_S = 80e-6
"""Short enough for a spark's crackle, and long enough for 44.1 kHz."""
PHASES = 32
LOUDEST = 0.7
"""The peak of the loudest bang of a coil in the middle."""


def pans(coils: int) -> list[tuple[float, float]]:
    """(left, right) of each coil, from left to right, at the same loudness (constant power)."""
    if coils == 1:
        return [(math.sqrt(0.5), math.sqrt(0.5))]
    angles = [math.pi / 2 * (0.1 + 0.8 * i / (coils - 1)) for i in range(coils)]
    return [(math.cos(a), math.sin(a)) for a in angles]


def loudness(coil: Coil, on_time_us: Floats) -> Floats:
    """Pressure of each bang as a share of the coil's loudest: the root of its energy.

    By the coil's own curve where its tank and supply are told, else by the square law.
    """
    longest_us = coil.max_on_time_us
    curves = curves_of(coil)
    if curves is None or not len(on_time_us):
        return np.minimum(on_time_us / longest_us, 1.0)
    lengths, inverse = np.unique(on_time_us, return_inverse=True)
    joules = np.array([curves.energy_j(float(u)) for u in lengths], dtype=np.float64)
    most_j = max(curves.energy_j(longest_us), 1e-12)
    return np.sqrt(np.clip(joules / most_j, 0.0, 1.0))[inverse]


def _shapes(rate: float) -> Floats:
    """(PHASES, taps): the pressure pulse begun at each fraction of a sample; peak 1."""
    sigma = PUSH_S / 2 * rate
    taps = math.ceil(8 * sigma) + 2
    place = np.arange(taps)[None, :] - 4 * sigma - (np.arange(PHASES) / PHASES)[:, None]
    return -place / sigma * np.exp(0.5 - 0.5 * (place / sigma) ** 2)


class Synthesis:
    """Bangs in, blocks of sound out, one after another. Frames count from the first block."""

    def __init__(self, rate: float, sides: Sequence[tuple[float, float]]) -> None:
        """`sides`: (left, right) of each coil."""
        self.rate = rate
        self.frame = 0
        """Of the next block's begin."""
        self._sides = np.array(sides, dtype=np.float64)
        self._shapes = _shapes(rate)
        taps = self._shapes.shape[1]
        self._taps: npt.NDArray[np.int64] = np.arange(taps, dtype=np.int64)
        self._tail: Floats = np.zeros((taps, 2))

    def block(self, frames: int, bangs: Mapping[int, tuple[Floats, Floats]]) -> Samples:
        """The next `frames` frames. `bangs`: coil's number → (places, loudnesses), places in
        frames, within the block; what lies before it begins with it."""
        taps = len(self._taps)
        out: Floats = np.zeros((frames + taps, 2))
        for coil, (places, loud) in bangs.items():
            if not len(places):
                continue
            fine = np.clip(np.round((places - self.frame) * PHASES), 0, frames * PHASES - 1)
            whole, phase = np.divmod(fine.astype(np.int64), PHASES)
            pressure = (self._shapes[phase] * (LOUDEST * loud)[:, None]).ravel()
            index: npt.NDArray[np.int64] = (whole[:, None] + self._taps[None, :]).ravel()
            mono = np.bincount(index, weights=pressure, minlength=frames + taps)
            out += mono[:, None] * self._sides[coil] * math.sqrt(2)
        out[:taps] += self._tail
        self._tail = out[frames:].copy()
        self.frame += frames
        return np.clip(out[:frames], -1.0, 1.0).astype(np.float32)
