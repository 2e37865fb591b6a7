"""The line: ten bit times a byte, order, unsent bytes, cutting, breaks."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.link.line_noise import LineNoise
from bridge.link.simulated_wire import Arrival, Delivery, WireDirection

BYTE_S = 20e-6
"""Ten bits at 500,000 baud."""


def drain(wire: WireDirection) -> list[Delivery]:
    found: list[Delivery] = []
    while wire.next_delivery_s() < math.inf:
        found.append(wire.take_next())
    return found


def test_a_frame_arrives_with_its_last_bit() -> None:
    wire = WireDirection(500_000)
    wire.write(1.0, b"\x01\x02\x00")
    (delivery,) = drain(wire)
    assert delivery.time_s == pytest.approx(1.0 + 3 * BYTE_S)
    assert (delivery.kind, delivery.data) == (Arrival.BYTES, b"\x01\x02\x00")


def test_a_voices_frame_of_four_slots_takes_1_42_ms() -> None:
    """PROTOCOL.md, section 11: 71 bytes on the wire."""
    wire = WireDirection(500_000)
    wire.write(0.0, b"\x01" * 70 + b"\x00")
    assert wire.next_delivery_s() == pytest.approx(0.00142)


def test_bytes_wait_for_those_before_them() -> None:
    wire = WireDirection(500_000)
    wire.write(0.0, b"\x01" * 49 + b"\x00")
    wire.write(0.0001, b"\x02" * 9 + b"\x00")
    assert [d.time_s for d in drain(wire)] == pytest.approx([0.001, 0.0012])


def test_unsent_bytes_count_down() -> None:
    wire = WireDirection(500_000)
    wire.write(0.0, b"\x01" * 99 + b"\x00")
    counts = [wire.unsent_bytes(t * BYTE_S) for t in (0, 0.5, 1, 50, 99.5, 100, 1000)]
    assert counts == [100, 100, 99, 50, 1, 0, 0]


def test_discard_cuts_the_frame_in_progress_at_a_byte() -> None:
    wire = WireDirection(500_000)
    wire.write(0.0, b"\x01" * 9 + b"\x00" + b"\x02" * 9 + b"\x00")
    wire.discard_unsent(3.5 * BYTE_S)
    assert wire.unsent_bytes(3.5 * BYTE_S) == 1
    wire.write(3.5 * BYTE_S, b"\x00\x07\x00")
    assert [d.data for d in drain(wire)] == [b"\x01" * 4, b"\x00", b"\x07\x00"]


def test_discard_on_an_idle_line_does_nothing() -> None:
    wire = WireDirection(500_000)
    wire.discard_unsent(1.0)
    wire.write(1.0, b"\x00")
    assert wire.next_delivery_s() == pytest.approx(1.0 + BYTE_S)


def test_a_break_is_seen_after_2_ms_and_holds_what_follows() -> None:
    wire = WireDirection(500_000)
    wire.write(0.0, b"\x01" * 49 + b"\x00")
    wire.hold_low(0.0, 0.004)
    wire.write(0.0, b"\x00")
    kinds = [(d.kind, round(d.time_s * 1e6)) for d in drain(wire)]
    assert kinds == [
        (Arrival.BYTES, 1000),
        (Arrival.LINE_ERROR, 1020),
        (Arrival.BREAK, 3000),
        (Arrival.IDLE, 5000),
        (Arrival.BYTES, 5020),
    ]


def test_less_than_2_ms_is_no_break() -> None:
    wire = WireDirection(500_000)
    wire.hold_low(0.0, 0.0019)
    assert [d.kind for d in drain(wire)] == [Arrival.LINE_ERROR, Arrival.IDLE]


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.lists(st.floats(0, 0.01), min_size=1, max_size=40))
def test_noise_keeps_order_and_its_jitter(seed: int, gaps: list[float]) -> None:
    """Originals in order; nothing later than jitter_s after it was due."""
    wire = WireDirection(500_000, LineNoise(seed, loss=0.2, duplicate=0.3, jitter_s=0.003))
    due: dict[bytes, float] = {}
    now, free = 0.0, 0.0
    for index, gap in enumerate(gaps):
        now += gap
        frame = bytes((index + 1,)) * 10 + b"\x00"
        wire.write(now, frame)
        free = max(free, now) + 11 * BYTE_S
        due[frame] = free
    arrived = drain(wire)
    assert [d.time_s for d in arrived] == sorted(d.time_s for d in arrived)
    for delivery in arrived:
        assert -1e-9 <= delivery.time_s - due[delivery.data] <= 0.003 + 1e-9
    once = [f for f in due if sum(d.data == f for d in arrived) == 1]
    order = [d.data for d in arrived if d.data in once]
    assert order == sorted(order)


def test_with_bursts_every_byte_comes_alone() -> None:
    wire = WireDirection(500_000, LineNoise(1, bursts=0.5))
    wire.write(0.0, b"\x01\x02\x00")
    arrived = drain(wire)
    assert [(d.data, d.hittable) for d in arrived] == [
        (b"\x01", True),
        (b"\x02", True),
        (b"\x00", True),
    ]
    assert [d.time_s for d in arrived] == pytest.approx([BYTE_S, 2 * BYTE_S, 3 * BYTE_S])
