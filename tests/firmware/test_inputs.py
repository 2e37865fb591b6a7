"""The board's inputs in the C core, by function (core/inputs.h, PROTOCOL.md, section 5)."""

from __future__ import annotations

import ctypes

import pytest

from firmware_protocol.catalogue import Cause
from firmware_protocol.messages import INPUT_ESTOP_A, INPUT_ESTOP_B, INPUT_KEY, INPUT_LOCAL_STOP

from .library import CInputs, library

BOTH = INPUT_ESTOP_A | INPUT_ESTOP_B
OTHERS = 0xFF & ~BOTH
MS = 2000


class Inputs:
    """One `struct inputs`, started at tick 0."""

    def __init__(self, levels: int) -> None:
        self.core = library()
        self.memory = CInputs()
        assert ctypes.sizeof(self.memory) == self.core.cw_inputs_size()
        self.core.inputs_start(self.memory, levels, 0)

    def estops(self, levels: int, now: int, *, locked: bool = True) -> bool:
        """True: it is a trip."""
        return self.core.inputs_set_estops(self.memory, levels, locked, now)

    def count(self, now: int) -> bool:
        """True: the two disagreed too long."""
        return self.core.inputs_count(self.memory, now)

    @property
    def bits(self) -> int:
        return self.core.inputs_bits(self.memory)

    @property
    def proofs(self) -> int:
        return self.core.inputs_proofs(self.memory)

    def next_tick(self) -> int | None:
        tick = ctypes.c_uint32()
        return tick.value if self.core.inputs_next_tick(self.memory, tick) else None


@pytest.mark.parametrize("levels", [0, INPUT_ESTOP_A, INPUT_ESTOP_B, BOTH, 0xFF, OTHERS])
def test_what_is_closed_at_the_start_counts_at_once_and_nothing_is_proven(levels: int) -> None:
    inputs = Inputs(levels)
    assert (inputs.bits, inputs.proofs) == (levels, 0)
    disagree = (levels & BOTH) not in {0, BOTH}
    assert inputs.next_tick() == (10 * MS if disagree else None)


@pytest.mark.parametrize("which", [INPUT_ESTOP_A, INPUT_ESTOP_B])
@pytest.mark.parametrize("others", [0, INPUT_KEY, OTHERS])
def test_an_input_that_opens_is_open_at_once_in_what_is_told(which: int, others: int) -> None:
    inputs = Inputs(BOTH | others)
    inputs.estops((BOTH & ~which) | others, 5)
    assert inputs.bits == (BOTH & ~which) | others
    inputs.core.inputs_set_others(inputs.memory, 0xFF)
    assert inputs.bits == 0xFF & ~which, "the levels of the others say nothing about it"


@pytest.mark.parametrize("first", [INPUT_ESTOP_A, INPUT_ESTOP_B, BOTH])
@pytest.mark.parametrize("locked", [True, False])
def test_a_first_opening_is_a_proof_while_locked_and_a_trip_otherwise(
    first: int, locked: bool
) -> None:
    inputs = Inputs(BOTH)
    assert inputs.estops(BOTH & ~first, 5, locked=locked) != locked
    inputs.estops(BOTH, 6, locked=locked)
    inputs.count(6 + 100 * MS)
    assert inputs.estops(BOTH & ~first, 7 + 100 * MS), "the second is a trip in any state"


def test_an_input_that_was_open_from_the_start_is_proven_by_closing_and_trips_by_opening() -> None:
    inputs = Inputs(0)
    assert not inputs.estops(BOTH, 5)
    assert inputs.next_tick() == 5 + 100 * MS
    assert not inputs.count(5 + 100 * MS - 1)
    assert (inputs.bits, inputs.proofs) == (0, 0)
    assert not inputs.count(5 + 100 * MS)
    assert (inputs.bits, inputs.proofs) == (BOTH, 3)
    assert inputs.estops(INPUT_ESTOP_A, 6 + 100 * MS)


@pytest.mark.parametrize("origin", [0, 2**32 - 50 * MS])
def test_what_counts_next_is_the_earliest_of_all(origin: int) -> None:
    """A closes, then B; between them they disagree from the moment that A counts as closed."""
    m32 = 0xFFFF_FFFF
    inputs = Inputs(0)
    inputs.estops(INPUT_ESTOP_A, origin)
    inputs.estops(BOTH, (origin + 3 * MS) & m32)
    a_counts = (origin + 100 * MS) & m32
    assert inputs.next_tick() == a_counts
    inputs.count(a_counts)
    assert inputs.next_tick() == (origin + 103 * MS) & m32, "B, before the disagreement is long"
    inputs.count((origin + 103 * MS) & m32)
    assert (inputs.next_tick(), inputs.bits) == (None, BOTH)


def test_the_other_way_round_too() -> None:
    inputs = Inputs(0)
    inputs.estops(INPUT_ESTOP_B, 0)
    inputs.estops(BOTH, 20 * MS)
    assert inputs.next_tick() == 100 * MS
    assert not inputs.count(100 * MS)
    assert inputs.next_tick() == 110 * MS, "the disagreement, before A counts as closed"
    assert inputs.count(110 * MS)
    assert not inputs.count(110 * MS), "told once"
    assert inputs.next_tick() == 120 * MS


ALL_WELL = BOTH | INPUT_KEY | 0xF0
LASTING: list[tuple[int, dict[str, bool], set[Cause]]] = [
    (ALL_WELL, {}, set()),
    (ALL_WELL & ~INPUT_ESTOP_A, {}, {Cause.ESTOP_OPEN, Cause.ESTOP_DISAGREE}),
    (ALL_WELL & ~INPUT_ESTOP_B, {}, {Cause.ESTOP_OPEN, Cause.ESTOP_DISAGREE}),
    (ALL_WELL & ~INPUT_KEY, {}, {Cause.KEY_OFF}),
    (ALL_WELL | INPUT_LOCAL_STOP, {}, {Cause.LOCAL_STOP}),
    (ALL_WELL & ~0x10, {}, {Cause.NOT_READY}),
    (ALL_WELL & ~0x20, {}, set()),  # output 1 has no limits
    (ALL_WELL & ~0x80, {}, {Cause.NOT_READY}),
    (ALL_WELL, {"line_low": True}, {Cause.LINE_BREAK}),
    (ALL_WELL, {"pin_mismatch": True}, {Cause.PIN_MISMATCH}),
]


@pytest.mark.parametrize(("levels", "more", "lasting"), LASTING)
def test_which_cause_lasts(levels: int, more: dict[str, bool], lasting: set[Cause]) -> None:
    """Section 5, third column; outputs 0 and 3 have limits."""
    inputs = Inputs(levels)
    for name, value in more.items():
        setattr(inputs.memory, name, value)
    found = {c for c in Cause if inputs.core.inputs_remain(inputs.memory, c, 0b1001)}
    assert found == lasting
