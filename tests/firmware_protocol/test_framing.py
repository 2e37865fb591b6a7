"""Framing against the COBS paper and the CRC catalogue, and against hostile streams."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.framing import (
    MAX_DECODED_BYTES,
    MAX_ENCODED_BYTES,
    Frame,
    FrameReader,
    _cobs_decode,  # pyright: ignore[reportPrivateUsage]
    _cobs_encode,  # pyright: ignore[reportPrivateUsage]
    crc16,
    encode_frame,
)

_RUN = bytes(range(1, 256))

# Cheshire & Baker, Consistent Overhead Byte Stuffing, IEEE/ACM ToN 7(2), 1999, and `cobs`.
COBS_EXAMPLES = [
    ("00", "0101"),
    ("0000", "010101"),
    ("001100", "01021101"),
    ("11220033", "0311220233"),
    ("11223344", "0511223344"),
    ("11000000", "0211010101"),
    (_RUN[:254].hex(), "ff" + _RUN[:254].hex()),
    (_RUN.hex(), "ff" + _RUN[:254].hex() + "02ff"),
    (_RUN[1:].hex() + "00", "ff" + _RUN[1:].hex() + "0101"),
    (_RUN[2:].hex() + "0001", "fe" + _RUN[2:].hex() + "0201"),
]

frames = st.builds(
    Frame, st.integers(0, 255), st.integers(0, 255), st.binary(max_size=MAX_DECODED_BYTES - 4)
)


def wire(frame: Frame) -> bytes:
    return encode_frame(frame.type_code, frame.sequence, frame.payload)


@pytest.mark.parametrize(("plain", "coded"), COBS_EXAMPLES)
def test_cobs_examples_of_the_paper(plain: str, coded: str) -> None:
    assert _cobs_encode(bytes.fromhex(plain)).hex() == coded
    assert _cobs_decode(bytes.fromhex(coded)).hex() == plain


def test_crc_check_value_of_the_catalogue() -> None:
    # Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740: check 0x29B1.
    assert crc16(b"123456789") == 0x29B1


def test_a_frame_byte_by_byte() -> None:
    """By hand: COBS of 06 00 01 and its CRC, low byte first."""
    # A CRC register fed its own value, high byte first, ends at zero (CRC theory); so the CRC can
    # be checked without asking for it again.
    coded = encode_frame(0x06, 0x00, b"\x01")
    body = _cobs_decode(coded[:-1])
    assert body[:3] == b"\x06\x00\x01"
    assert crc16(body[:3] + bytes((body[4], body[3]))) == 0
    assert coded[-1] == 0


@settings(max_examples=300)
@given(st.binary(max_size=600))
def test_no_bytes_raise_and_none_are_hoarded(data: bytes) -> None:
    reader = FrameReader()
    for frame in reader.feed(data):
        assert encode_frame(frame.type_code, frame.sequence, frame.payload)
    assert len(reader._buffer) <= MAX_ENCODED_BYTES  # pyright: ignore[reportPrivateUsage]


@settings(max_examples=200)
@given(
    st.lists(st.one_of(frames.map(wire), st.binary(max_size=200)), max_size=6).map(b"".join),
    st.lists(st.integers(0, 700), max_size=8),
)
def test_any_cut_of_any_stream_gives_the_same_frames(stream: bytes, cuts: list[int]) -> None:
    whole = FrameReader()
    expected = whole.feed(stream)
    pieces = FrameReader()
    got: list[Frame] = []
    at = 0
    for cut in [*sorted(min(c, len(stream)) for c in cuts), len(stream)]:
        got += pieces.feed(stream[at:cut])
        at = cut
    assert got == expected
    assert pieces.bad_frames == whole.bad_frames


@settings(max_examples=200)
@given(st.binary(max_size=300), st.lists(frames, min_size=1, max_size=4))
def test_frames_after_garbage_are_recovered(garbage: bytes, after: list[Frame]) -> None:
    reader = FrameReader()
    reader.feed(garbage + b"\x00")
    assert reader.feed(b"".join(wire(f) for f in after)) == after


@settings(max_examples=200)
@given(frames, st.data())
def test_every_flipped_bit_is_noticed(frame: Frame, data: st.DataObject) -> None:
    """A CRC finds every single-bit error; COBS may break the frame in two instead."""
    coded = bytearray(wire(frame))
    at = data.draw(st.integers(0, len(coded) - 2))
    coded[at] ^= 1 << data.draw(st.integers(0, 7))
    reader = FrameReader()
    assert frame not in reader.feed(bytes(coded))
    assert reader.bad_frames >= 1


def test_lengths_at_the_edge() -> None:
    reader = FrameReader()
    longest = Frame(1, 2, bytes(MAX_DECODED_BYTES - 4))
    assert reader.feed(wire(longest)) == [longest]
    with pytest.raises(ValueError, match="129 bytes"):
        encode_frame(1, 2, bytes(MAX_DECODED_BYTES - 3))
    too_long = _cobs_encode(bytes(MAX_DECODED_BYTES + 1)) + b"\x00"
    assert reader.feed(too_long) == []
    assert reader.bad_frames == 1
    assert reader.feed(wire(Frame(1, 2, b""))) == [Frame(1, 2, b"")]
    body = b"\x01" + crc16(b"\x01").to_bytes(2, "little")
    assert reader.feed(_cobs_encode(body) + b"\x00") == []
    assert reader.bad_frames == 2


def test_empty_frames_are_nothing() -> None:
    reader = FrameReader()
    assert reader.feed(b"\x00\x00\x00") == []
    assert reader.bad_frames == 0


def test_a_spoiled_frame_is_dropped_and_counted_once() -> None:
    reader = FrameReader()
    coded = wire(Frame(6, 0, b"\x01"))
    reader.feed(coded[:3])
    reader.spoil()
    assert reader.feed(coded[3:]) == []
    assert reader.bad_frames == 1
    assert len(reader.feed(coded)) == 1
