"""Seals an image: writes its length and CRC-32 into `flash_seal`, where the program checks them.

    python3 seal.py linked.elf sealed.elf

The CRC (IEEE 802.3, as zlib.crc32) is over the flash from address 0, the seal's eight bytes taken
as 0xFF. Standard library only; run by make.
"""

from __future__ import annotations

import struct
import sys
import zlib
from pathlib import Path

SEAL = b"flash_seal"
SEAL_BYTES = 8
LOAD = 1
SYMBOLS = 2
FLASH_END = 0x10000  # the program reads its own flash with 16-bit addresses


def load_segments(elf: bytes) -> list[tuple[int, int, int]]:
    """(offset in the file, address in flash, bytes) of everything that is flashed."""
    at, size, count = (*struct.unpack_from("<I", elf, 28), *struct.unpack_from("<HH", elf, 42))
    found: list[tuple[int, int, int]] = []
    for i in range(count):
        kind, offset, _virtual, physical, length = struct.unpack_from("<5I", elf, at + i * size)
        if kind == LOAD and length:
            found.append((offset, physical, length))
    return found


def address_of(elf: bytes, name: bytes) -> int:
    """A symbol's value. Raises: KeyError."""
    at, size, count = (*struct.unpack_from("<I", elf, 32), *struct.unpack_from("<HH", elf, 46))
    sections = [struct.unpack_from("<10I", elf, at + i * size) for i in range(count)]
    for _n, kind, _f, _a, offset, length, link, _i, _l, entry in sections:
        if kind != SYMBOLS:
            continue
        names = sections[link][4]
        for symbol in range(offset, offset + length, entry):
            name_at, value = struct.unpack_from("<II", elf, symbol)
            end = elf.index(b"\0", names + name_at)
            if elf[names + name_at : end] == name:
                return value
    raise KeyError(name.decode())


def flash_image(elf: bytes) -> bytes:
    """The flash from address 0 to the last byte used; gaps are 0xFF."""
    segments = [s for s in load_segments(elf) if s[1] < FLASH_END]
    image = bytearray(b"\xff" * max(address + length for _o, address, length in segments))
    for offset, address, length in segments:
        image[address : address + length] = elf[offset : offset + length]
    return bytes(image)


def seal(elf: bytes) -> bytes:
    """The same file with its seal filled in."""
    where = address_of(elf, SEAL)
    image = bytearray(flash_image(elf))
    if len(image) > FLASH_END:
        raise ValueError("the image is longer than the program can check")
    image[where : where + SEAL_BYTES] = b"\xff" * SEAL_BYTES
    value = struct.pack("<II", len(image), zlib.crc32(image))
    for offset, address, length in load_segments(elf):
        if address <= where < address + length:
            at = offset + where - address
            return elf[:at] + value + elf[at + SEAL_BYTES :]
    raise ValueError("the seal is not in flash")


if __name__ == "__main__":
    Path(sys.argv[2]).write_bytes(seal(Path(sys.argv[1]).read_bytes()))
