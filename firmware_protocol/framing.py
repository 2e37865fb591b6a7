"""Frames on the wire: COBS, a 0x00 delimiter, CRC-16/IBM-3740. Sans I/O, survives any bytes.

Wire form of a frame: COBS(type, sequence, payload..., CRC low, CRC high) 0x00. COBS is that of
Cheshire & Baker, IEEE/ACM ToN 7(2), 1999 (the `cobs` package); CRC-16/IBM-3740 is
`binascii.crc_hqx` started at 0xFFFF (catalogue of parametrised CRC algorithms). See PROTOCOL.md.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from cobs import cobs  # pyright: ignore[reportMissingTypeStubs]

DELIMITER = 0x00
MAX_DECODED_BYTES = 128
"""Longest frame before COBS: type, sequence, payload and CRC. A longer one is dropped."""
MAX_ENCODED_BYTES = MAX_DECODED_BYTES + 1
"""COBS adds at most one byte in 254."""
MIN_DECODED_BYTES = 4
CRC_START = 0xFFFF

# The package has no type stubs; its two functions are typed here.
_cobs_encode = cast(Callable[[bytes], bytes], cobs.encode)  # pyright: ignore[reportUnknownMemberType]
_cobs_decode = cast(Callable[[bytes], bytes], cobs.decode)  # pyright: ignore[reportUnknownMemberType]


@dataclass(frozen=True, slots=True)
class Frame:
    """One well-formed frame: `type_code` 0..255, `sequence` 0..255, payload of 0..124 bytes."""

    type_code: int
    sequence: int
    payload: bytes


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740 of `data`."""
    return crc_hqx(data, CRC_START)


def encode_frame(type_code: int, sequence: int, payload: bytes) -> bytes:
    """The frame's bytes on the wire, delimiter included. Raises ValueError if it is too long."""
    body = bytes((type_code, sequence & 0xFF)) + payload
    if len(body) + 2 > MAX_DECODED_BYTES:
        raise ValueError(f"frame of {len(body) + 2} bytes; at most {MAX_DECODED_BYTES}")
    return _cobs_encode(body + crc16(body).to_bytes(2, "little")) + b"\x00"


class FrameReader:
    """Cuts a byte stream into frames. Whatever is malformed is dropped and counted."""

    def __init__(self) -> None:
        self.bad_frames = 0
        """Frames dropped: bad COBS, bad CRC, too short or too long."""
        self._buffer = bytearray()
        self._overlong = False

    def reset(self) -> None:
        """Forgets a frame begun; counters stay."""
        self._buffer.clear()
        self._overlong = False

    def spoil(self) -> None:
        """A byte came broken: the frame it falls in will be dropped and counted at its end."""
        self._overlong = True
        self._buffer.clear()

    def feed(self, data: bytes) -> list[Frame]:
        """The frames completed by `data`, in order. Never raises; holds at most one frame."""
        frames: list[Frame] = []
        parts = data.split(b"\x00")
        for part in parts[:-1]:
            self._append(part)
            frame = self._finish()
            if frame is not None:
                frames.append(frame)
        self._append(parts[-1])
        return frames

    def _append(self, part: bytes) -> None:
        if self._overlong or not part:
            return
        if len(self._buffer) + len(part) > MAX_ENCODED_BYTES:
            self._overlong = True
            self._buffer.clear()
        else:
            self._buffer += part

    def _finish(self) -> Frame | None:
        overlong, encoded = self._overlong, bytes(self._buffer)
        self.reset()
        if overlong:
            self.bad_frames += 1
            return None
        if not encoded:  # delimiters may follow one another
            return None
        try:
            body = _cobs_decode(encoded)
        except cobs.DecodeError:
            self.bad_frames += 1
            return None
        if len(body) < MIN_DECODED_BYTES or crc16(body[:-2]) != int.from_bytes(body[-2:], "little"):
            self.bad_frames += 1
            return None
        return Frame(body[0], body[1], body[2:-2])
