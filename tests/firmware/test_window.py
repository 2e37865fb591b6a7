"""A sliding sum and its clock, function by function (core/window.h, core/ticks.h)."""

from __future__ import annotations

import ctypes

import pytest
from hypothesis import given
from hypothesis import strategies as st

from .library import WINDOW_SLOTS, CWindow, library

M32 = 0xFFFF_FFFF
HALF = 2**31


def fresh(slot_ticks: int, slot_start: int = 0) -> CWindow:
    window = CWindow()
    assert ctypes.sizeof(window) == library().cw_window_size()
    library().window_start(window, slot_ticks, slot_start & M32)
    return window


@pytest.mark.parametrize("tick", [0, 12_345, HALF, M32])
@pytest.mark.parametrize("ahead", [0, 1, 2, HALF - 1, HALF, HALF + 1, M32])
def test_of_two_ticks_one_is_due_or_before(tick: int, ahead: int) -> None:
    """Right while they lie within half a turn; each is the other's opposite everywhere."""
    core, later = library(), (tick + ahead) & M32
    assert core.cw_is_due(tick, later) == (ahead < HALF)
    assert core.cw_is_before(later, tick) == (ahead >= HALF)


@pytest.mark.parametrize("window_ticks", [*range(10_000, 10_064), 2_000_000, 20_000_000])
@pytest.mark.parametrize("longest_pulse", [1, 800])
def test_32_slots_hold_a_window_and_the_longest_pulse(
    window_ticks: int, longest_pulse: int
) -> None:
    """PROTOCOL.md, section 9: (W + longest pulse) / 32, rounded up."""
    slot = library().window_slot_ticks(window_ticks, longest_pulse)
    assert 32 * slot >= window_ticks + longest_pulse > 32 * (slot - 1)


@pytest.mark.parametrize("slot_start", [0, 777, -100])
def test_a_window_begins_with_its_newest_slot_and_nothing_in_it(slot_start: int) -> None:
    window = fresh(338, slot_start)
    assert window.slot_end == (slot_start + 338) & M32
    assert (window.slot_ticks, window.total) == (338, 0)
    assert not any(window.low)
    assert not any(window.high)


@pytest.mark.parametrize("start", [0, -2000])
@given(st.one_of(st.integers(0, 40 * 338), st.sampled_from([33 * 338, 34 * 338, 10**8, 10**9])))
def test_a_window_moves_to_the_slot_of_a_tick(start: int, elapsed: int) -> None:
    """And says of how many slots the light is gone: at most all of them, seen ahead or done."""
    core, window = library(), fresh(338, start)
    tick = start + elapsed
    gone = min(elapsed // 338, WINDOW_SLOTS)
    assert core.window_slots_ahead(window, tick & M32) == gone
    assert core.window_advance(window, tick & M32) == gone
    assert window.slot_end == (start + (elapsed // 338 + 1) * 338) & M32
