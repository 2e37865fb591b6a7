"""Sentences of PROTOCOL.md that the implementations once read differently."""

from __future__ import annotations

from typing import cast

import pytest

from bridge.link.simulated_settings import BoardMemory, BoardSettings
from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    Disarm,
    Limits,
    OutputLimits,
    Reset,
    Slot,
)

from .pair import MS, Pair


def armed() -> Pair:
    """Model and core, armed, with limits for outputs 0 and 3."""
    pair = Pair(BoardSettings(board_id=1), BoardMemory())
    pair.recover()
    assert pair.model.state == State.ARMED
    return pair


def ask_for_reset(pair: Pair) -> State:
    pair.send(Reset(pair.model.trip_number, pair.ask_nonce()))
    return pair.model.state


def note(start: int, period_ticks: int, on_ticks: int) -> Slot:
    return Slot(start, 0, 0, 0, on_ticks, 0, period_ticks * 256)


def test_a_reset_frame_ends_the_break_it_follows() -> None:
    """Section 5: no reset is refused because a break lasts. Nobody says that the line is high."""
    pair = armed()
    pair.both("line_break")
    pair.settle()
    assert pair.model.cause == Cause.LINE_BREAK
    pair.wire(b"\0")  # the break spoiled what would be joined to it
    assert ask_for_reset(pair) == State.LOCKED


@pytest.mark.parametrize("still", [False, True])
def test_a_pin_that_disagrees_still_disagrees_after_a_restart(still: bool) -> None:
    """Section 5: a restart does not make a pin right."""
    pair = armed()
    pair.both("set_inputs", pin_mismatch=True)
    pair.settle()
    assert ask_for_reset(pair) == State.TRIPPED
    pair.advance(MS)
    pair.both("reset", ResetCause.EXTERNAL)
    pair.settle()
    assert (pair.model.state, pair.model.cause) == (State.TRIPPED, Cause.PIN_MISMATCH)
    if not still:
        pair.both("set_inputs", pin_mismatch=False)
    assert ask_for_reset(pair) == (State.TRIPPED if still else State.LOCKED)


def test_a_start_that_finds_a_pin_wrong_is_a_trip_from_locked() -> None:
    """Section 5: it went wrong in a trip of another cause, which was reset; then a restart."""
    pair = armed()
    pair.both("internal_fault")
    pair.both("set_inputs", pin_mismatch=True)
    assert ask_for_reset(pair) == State.LOCKED
    pair.advance(MS)
    pair.both("reset", ResetCause.EXTERNAL)
    pair.settle()
    assert (pair.model.state, pair.model.cause) == (State.TRIPPED, Cause.PIN_MISMATCH)


def test_a_pin_that_disagrees_at_the_first_look_is_a_trip_from_locked() -> None:
    pair = Pair(BoardSettings(board_id=1), BoardMemory())
    assert pair.model.state == State.LOCKED
    pair.both("set_inputs", pin_mismatch=True)
    pair.settle()
    assert (pair.model.state, pair.model.cause) == (State.TRIPPED, Cause.PIN_MISMATCH)


def test_a_tighter_off_time_counts_from_a_pulse_that_ended_before_it() -> None:
    """Section 8: free by the `min_off` in force when the next pulse is decided."""
    pair = armed()
    for output in (0, 3):
        slots = (note(1, 4000, 100),) if output == 0 else ()
        pair.send(pair.voices(output, slots, 0, FLAG_IMMEDIATE, 400_000))
    pair.advance(101)
    pair.send(Disarm())
    end = pair.pulses[-1].start_tick + pair.pulses[-1].on_ticks
    pair.send(Limits(OutputLimits(0, 400, 60_000, 2000, 240_000)))
    pair.arm()
    pair.number = 0
    for output in (0, 3):
        slots = (note(2, 200_000, 100),) if output == 0 else ()
        pair.send(pair.voices(output, slots, 0, FLAG_IMMEDIATE, 400_000))
    pair.advance(100 * MS)
    assert [pulse.start_tick - end for pulse in pair.pulses[1:]] == [60_000]


@pytest.mark.parametrize("cause", ResetCause)
@pytest.mark.parametrize("state", [4, 77, 255])
def test_a_damaged_memory_is_a_trip(state: int, cause: ResetCause) -> None:
    """Section 4: a remembered state that is none of the four."""
    pair = Pair(
        BoardSettings(board_id=1), BoardMemory(cast(State, state), Cause.NONE, 5, 9), power_on=cause
    )
    pair.settle()
    by_reset = {
        ResetCause.WATCHDOG: Cause.WATCHDOG_RESET,
        ResetCause.BROWN_OUT: Cause.BROWN_OUT,
    }
    assert pair.model.state == State.TRIPPED
    assert pair.model.cause == by_reset.get(cause, Cause.INTERNAL_FAULT)
    assert pair.model.trip_number == 6
