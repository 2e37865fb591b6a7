"""When a message arrived, and reading without a system behind it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.midi.reader import arrival

TIMES = st.floats(0, 1e5, allow_nan=False)


def test_the_first_message_arrived_when_it_was_read() -> None:
    assert arrival(None, 0.0, 9.0, 10.0) == 10.0


def test_the_drivers_spacing_is_kept_when_the_reading_was_late() -> None:
    # Two messages 2 ms apart by the driver, both read at 10.006 after a hold-up since 10.000.
    first = arrival(9.999, 0.0025, 10.0, 10.006)
    second = arrival(first, 0.002, 10.0, 10.006)
    assert abs(first - 10.0015) < 1e-9
    assert abs(second - 10.0035) < 1e-9


@given(TIMES, st.floats(-10, 1e5), TIMES, st.floats(0, 10))
def test_it_lies_between_the_last_look_and_the_reading_and_never_goes_back(
    previous_s: float, delta_s: float, empty_s: float, held_s: float
) -> None:
    now_s = max(previous_s, empty_s) + held_s
    got_s = arrival(previous_s, max(0.0, delta_s), empty_s, now_s)
    assert empty_s <= got_s <= now_s
    assert got_s >= previous_s
