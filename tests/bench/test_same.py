"""What the comparison of the image with its twins forgives, and no more: see same.py."""

from __future__ import annotations

import pytest

from bridge.link.simulated_settings import Pulse
from firmware_protocol.catalogue import GuardReason
from tests.bench.same import let_through

RATE, ON_TIME = GuardReason.RATE, GuardReason.ON_TIME
DUE, MISSED = Pulse(0, 9000, 50), Pulse(0, 1000, 50)


@pytest.mark.parametrize(
    ("gone", "refused", "is_forgiven"),
    [
        ({MISSED}, [(9000, RATE)], True),
        ({MISSED}, [(9001, RATE)], True),
        ({MISSED}, [(9002, RATE)], False),
        ({MISSED}, [(9000, ON_TIME)], False),
        (set[Pulse](), [(9000, RATE)], False),
        ({Pulse(0, 9001, 50)}, [(9000, RATE)], False),
    ],
)
def test_a_pulse_comes_in_the_place_of_one_that_did_not(
    gone: set[Pulse], refused: list[tuple[int, GuardReason]], is_forgiven: bool
) -> None:
    """Only at a refusal for what came before, and only where something before it is missing."""
    assert let_through([DUE], gone, refused) == ({DUE} if is_forgiven else set())


def test_each_missing_pulse_makes_room_for_one() -> None:
    later = Pulse(0, 11_000, 50)
    refused = [(9000, RATE), (11_000, RATE)]
    assert let_through([later, DUE], {MISSED}, refused) == {DUE}
    assert let_through([later, DUE], {MISSED, Pulse(0, 3000, 50)}, refused) == {DUE, later}
