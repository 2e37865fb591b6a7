"""Every message: value → payload → value, sizes as PROTOCOL.md gives them, digest by zlib."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.catalogue import Reason
from firmware_protocol.messages import (
    CONTROLLER_MESSAGES,
    HOST_MESSAGES,
    MessageError,
    OutputLimits,
    Slot,
    Voices,
    limits_digest,
    parse_controller_message,
    parse_host_message,
    ticks_between,
)

from .make_vectors import EXAMPLE_MESSAGES

u8, u16, u32 = st.integers(0, 0xFF), st.integers(0, 0xFFFF), st.integers(0, 0xFFFF_FFFF)
slots = st.builds(Slot, u8, u8, u8, u8, u16, u16, u32)

# Payload bytes counted by hand from the table of PROTOCOL.md, section 3.
SIZES = {
    0x01: 1,
    0x02: 1 + 2 + 2 + 2 + 4 + 2 + 4 + 2 + 4,
    0x03: 8,
    0x05: 0,
    0x06: 1,
    0x07: 6,
    0x08: 5,
    0x43: 16,
    0x44: 7,
    0x45: 23 + 4,
    0x46: 12,
}


def test_examples_cover_every_type() -> None:
    types = {m.TYPE for m in EXAMPLE_MESSAGES}
    assert types == set(HOST_MESSAGES) | set(CONTROLLER_MESSAGES)


@pytest.mark.parametrize("message", EXAMPLE_MESSAGES, ids=lambda m: type(m).__name__)
def test_round_trip(message: object) -> None:
    parse = parse_host_message if message.TYPE < 0x40 else parse_controller_message  # type: ignore[attr-defined]
    payload = message.payload()  # type: ignore[attr-defined]
    assert parse(message.TYPE, payload) == message  # type: ignore[attr-defined]
    if message.TYPE in SIZES:  # type: ignore[attr-defined]
        assert len(payload) == SIZES[message.TYPE]  # type: ignore[attr-defined]
    with pytest.raises(MessageError) as caught:
        parse(message.TYPE, payload + b"\x00")  # type: ignore[attr-defined]
    assert caught.value.reason == Reason.WRONG_LENGTH


def test_a_voices_frame_with_four_slots_is_69_bytes() -> None:
    """PROTOCOL.md, section 11: type, sequence, payload, CRC."""
    four = Voices(1, 0, 1, 0, 0, 0, (Slot(1, 0, 0, 0, 1, 0, 51200),) * 4)
    assert 2 + len(four.payload()) + 2 == 69


@settings(max_examples=200)
@given(u32, st.integers(0, 3), u16, u8, u32, u32, st.lists(st.none() | slots, max_size=4))
def test_voices_round_trip(  # noqa: PLR0917
    session: int,
    output: int,
    number: int,
    flags: int,
    apply_at: int,
    expiry: int,
    given_slots: list[Slot | None],
) -> None:
    while given_slots and given_slots[-1] is None:
        given_slots.pop()
    value = Voices(session, output, number, flags, apply_at, expiry, tuple(given_slots))
    assert Voices.parse(value.payload()) == value


@settings(max_examples=300)
@given(u8, st.binary(max_size=124))
def test_no_payload_raises_anything_but_message_error(type_code: int, payload: bytes) -> None:
    for parse in (parse_host_message, parse_controller_message):
        reason = None
        try:
            assert parse(type_code, payload).payload() == payload
        except MessageError as error:
            reason = error.reason
        assert reason in (None, Reason.UNKNOWN_TYPE, Reason.WRONG_LENGTH, Reason.BAD_SLOT)


def test_a_mask_beyond_slot_3_is_a_bad_slot_before_its_length_counts() -> None:
    payload = bytearray(Voices(1, 0, 1, 0, 0, 0, ()).payload())
    payload[-1] = 0x10
    with pytest.raises(MessageError) as caught:
        Voices.parse(bytes(payload))
    assert caught.value.reason == Reason.BAD_SLOT


def test_digest_is_crc32_of_the_stated_bytes() -> None:
    first = OutputLimits(0, 400, 200, 500, 20_000, 100, 4000, 0, 0)
    second = replace(first, output=2, min_off_ticks=300)
    data = struct.pack("<III", 9, 0xC0FFEE, 3)
    for one in (first, second):
        data += struct.pack(
            "<BHHHIHIHI", one.output, 400, one.min_off_ticks, 500, 20_000, 100, 4000, 0, 0
        )
    assert limits_digest(9, 0xC0FFEE, 3, [second, first]) == zlib.crc32(data)


def test_digest_is_ieee_802_3() -> None:
    # CRC-32/ISO-HDLC check value of the CRC catalogue: "123456789" → CBF43926.
    assert zlib.crc32(b"123456789") == 0xCBF4_3926


@given(u32, st.integers(-(2**31), 2**31 - 1))
def test_ticks_between_is_the_signed_difference(earlier: int, difference: int) -> None:
    assert ticks_between((earlier + difference) & 0xFFFF_FFFF, earlier) == difference
