"""What a bad line does to frames, from a seed: loss, duplicates, delay, flipped bits, bursts.

Pure: the same seed and the same writes give the same deliveries. Noise works on whole frames as
they are written (a frame ends with its 0x00), except bursts, which work on single bytes that are
in flight while an output of the controller is lit.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from firmware_protocol.framing import FrameReader
from firmware_protocol.messages import Voices

OUTPUT_AT = 4
"""Place of the output number in the payload of a voices frame."""


@dataclass(frozen=True, slots=True)
class Passage:
    """One arrival of a frame: what arrives, and how long after its last bit was due."""

    data: bytes
    delay_s: float


class LineNoise:
    """Noise of one direction of a line.

    `loss`, `duplicate`, `flip` are chances per frame, `bursts` per byte in flight during a bang,
    all 0..1. No frame is delayed by more than `jitter_s`, frames keep their order; a duplicate
    comes at most `jitter_s` after its original was due, so it may come after newer frames.
    `one_loss_in_a_row`: of the frames of one output (and of each other type of message) no two
    in succession are lost, flipped or hit by a burst.
    """

    def __init__(
        self,
        seed: int,
        *,
        loss: float = 0.0,
        duplicate: float = 0.0,
        jitter_s: float = 0.0,
        flip: float = 0.0,
        bursts: float = 0.0,
        one_loss_in_a_row: bool = False,
    ) -> None:
        for name, chance in (
            ("loss", loss),
            ("duplicate", duplicate),
            ("flip", flip),
            ("bursts", bursts),
        ):
            if not 0.0 <= chance <= 1.0:
                raise ValueError(f"{name} must be 0 to 1, not {chance}")
        if bursts and duplicate:
            raise ValueError("bursts spoil single bytes; duplicates cannot be woven between them")
        if jitter_s < 0.0:
            raise ValueError("jitter_s must not be negative")
        self.jitter_s = jitter_s
        self.bursts = bursts
        self._loss = loss
        self._duplicate = duplicate
        self._flip = flip
        self._one_loss_in_a_row = one_loss_in_a_row
        self._random = random.Random(seed)
        self._lost_last: set[bytes] = set()
        self._spare_bytes = False
        """The frame written last follows a lost one of its kind: bursts must spare it."""

    def pass_frame(self, frame: bytes) -> list[Passage]:
        """The arrivals of one frame (delimiter included): none, one or two."""
        chance = self._random.random
        kind = _kind(frame) if self._one_loss_in_a_row else b""
        may_lose = not (self._one_loss_in_a_row and kind in self._lost_last)
        self._lost_last.discard(kind)
        self._spare_bytes = not may_lose
        if may_lose and chance() < self._loss:
            self._lost_last.add(kind)
            return []
        passages: list[Passage] = []
        if may_lose and len(frame) > 1 and chance() < self._flip:
            self._lost_last.add(kind)
            frame = self._flip_one_bit(frame)
        elif self.bursts and self._one_loss_in_a_row and may_lose:
            self._lost_last.add(kind)  # a burst may yet hit it: the next one is spared
        passages.append(Passage(frame, chance() * self.jitter_s))
        if chance() < self._duplicate:
            passages.append(Passage(frame, chance() * self.jitter_s))
        return passages

    def spares_bytes(self) -> bool:
        """True if no burst may hit the frame last passed."""
        return self._spare_bytes

    def hit_byte(self, byte: int) -> int | None:
        """A byte in flight during a bang: itself, another one, or None: a framing error."""
        if self._random.random() >= self.bursts:
            return byte
        if self._random.random() < 0.5:
            return None
        return byte ^ 1 << self._random.randrange(8)

    def _flip_one_bit(self, frame: bytes) -> bytes:
        # with one loss in a row the delimiter stays, or the next frame would be lost as well
        length = len(frame) - 1 if self._one_loss_in_a_row else len(frame)
        flipped = bytearray(frame)
        flipped[self._random.randrange(length)] ^= 1 << self._random.randrange(8)
        return bytes(flipped)


def _kind(frame: bytes) -> bytes:
    """Frames of one kind replace one another: voices of one output, or one type of message."""
    frames = FrameReader().feed(frame)
    if not frames:
        return b""
    first = frames[0]
    if first.type_code == Voices.TYPE and len(first.payload) > OUTPUT_AT:
        return bytes((first.type_code, first.payload[OUTPUT_AT]))
    return bytes((first.type_code,))
