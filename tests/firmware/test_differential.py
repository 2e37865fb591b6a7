"""The C core against the Python model: told the same, they say and do the same, to the tick.

Hypothesis makes up boards, hosts and accidents; numbers are dense at their boundaries. Where the
two differ PROTOCOL.md decides who is right. `COILWARDEN_EXAMPLES` asks for more of each by hand.
"""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.link.simulated_permission import MAY_FIRE
from bridge.link.simulated_settings import BoardMemory, BoardSettings
from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.messages import Ceilings, Disarm, Hello, Ping, Slot, Stop

from .pair import MS, Pair

Strategy = st.SearchStrategy[Any]
SECOND = 1000 * MS


def around(*values: int) -> Strategy:
    """The values, and one to either side."""
    return st.sampled_from(sorted({v + d for v in values for d in (-1, 0, 1)}))


U32 = 0xFFFF_FFFF
SLOT = st.builds(
    Slot,
    start=st.integers(0, 3),
    bangs=st.sampled_from((0, 0, 0, 1, 2, 5, 255)),
    spread=st.sampled_from((0, 0, 0, 1, 64, 127, 128, 129)),
    phase=st.sampled_from((0, 0, 1, 64, 128, 255)),
    on_ticks=st.sampled_from(
        (1, 2, 50, 100, 100, 300, 399, 400, 400, 401, 799, 800, 801, 0, 65_535)
    ),
    step=st.sampled_from((0, 0, 0, 1, 40, 4000, 65_535)),
    period=st.one_of(
        st.sampled_from((51_199, 51_200, 51_201, 153_600, 1_163_636, 2**24, 2**31, U32)),
        st.sampled_from((256_000, 256_000, 512_000, 99_999)),
        st.integers(51_200, 2**21),
    ),
)
GOOD_SLOT = SLOT.filter(
    lambda s: s.on_ticks in range(2, 401) and s.period >= 51_200 and s.spread < 129
)
SLOTS = st.one_of(
    st.lists(st.one_of(st.none(), GOOD_SLOT), max_size=4).map(tuple),
    st.lists(st.one_of(st.none(), GOOD_SLOT), max_size=4).map(tuple),
    st.lists(st.one_of(st.none(), SLOT), max_size=4).map(tuple),
)
OUTPUT = st.sampled_from((0, 0, 0, 1, 3, 3, 2, 4))
AHEAD = st.sampled_from(
    (
        0,
        1,
        -1,
        500,
        5000,
        5000,
        7999,
        8001,
        20_000,
        60_000,
        500_000,
        500_001,
        -40_000,
        -40_001,
        -(2**31),
    )
)
LEASE = st.sampled_from((500_000, 500_000, 400_000, 400_000, 500_001, 0, 1, 2, 9000, 2**31))
FLAGS = st.sampled_from((0, 0, 1, 1, 1, 2, 3))
FRAME = (OUTPUT, SLOTS, AHEAD, FLAGS, LEASE)
LIMITS = st.tuples(
    st.sampled_from((0, 1, 300, 399, 400, 400, 800, 801)),
    st.sampled_from((199, 200, 200, 201, 600)),
    st.sampled_from((0, 1, 30, 300, 2000, 2000, 2001)),
    st.sampled_from((0, 1, 3000, 240_000, 240_000, 240_001)),
    st.sampled_from((0, 0, 4, 5, 20, 20, 300, 9999, 10_000, 10_001)),
    st.sampled_from((0, 1, 3000, 3000, 20_000, 2**24)),
    st.sampled_from((0, 0, 5, 50, 50)),
    st.sampled_from((0, 1, 2000, 2000, 20_000)),
)
MESSAGE = st.sampled_from(
    (Hello(), Hello(2), Stop(2), Disarm(), Ping(1, 0), Ping(2, 1), Ping(3, 0xFE))
)
LEVELS = st.sampled_from(
    (
        {"estop_a": False, "estop_b": False},
        {"estop_a": True, "estop_b": True},
        {"estop_a": False},
        {"estop_b": False},
        {"estop_a": True},
        {"estop_b": True},
        {"key": False},
        {"key": True},
        {"local_stop": True},
        {"local_stop": False},
        {"ready": {0: False}},
        {"ready": {0: True, 2: False}},
        {"pin_mismatch": True},
        {"pin_mismatch": False},
        {"estop_a": False, "key": False, "local_stop": True},
    )
)
WAIT = st.one_of(
    st.sampled_from((0, 1, 2, 99, 199, 200, 1000, 3999, 10_000, 20_000, 74_000)),
    st.sampled_from(
        (100 * MS - 1, 100 * MS, 10 * MS - 1, 10 * MS, 500_000, 2 * SECOND, 2 * SECOND + 1)
    ),
    st.integers(0, 30_000),
)
GOOD_SLOTS = st.lists(GOOD_SLOT, min_size=1, max_size=4).map(tuple)
HOLD = st.tuples(st.just("hold"), st.sampled_from((0, 3)), GOOD_SLOTS, st.integers(0, 100_000))
PLAYING: Strategy = st.one_of(
    st.tuples(st.just("voices"), *FRAME),
    st.tuples(st.just("voices"), *FRAME),
    st.tuples(st.just("voices"), *FRAME),
    st.tuples(st.just("advance"), st.integers(0, 30_000)),
    st.tuples(st.just("advance"), WAIT.filter(lambda ticks: ticks < 100_000)),
    st.tuples(st.just("line_error at"), st.integers(0, 2000)),
    st.tuples(st.just("voices"), *FRAME, st.sampled_from((0, -1, 2))),
    HOLD,
)
ANYTHING: Strategy = st.one_of(
    PLAYING,
    HOLD,
    HOLD,
    st.tuples(st.just("voices"), *FRAME, st.sampled_from((1, 0, -1, 32_767, 32_768))),
    st.tuples(st.just("voices"), *FRAME, st.just(1), st.just(1)),
    st.tuples(st.just("voices in two"), st.integers(0, 20), st.integers(0, 500), *FRAME),
    st.tuples(st.just("advance"), WAIT),
    st.tuples(st.just("limits"), OUTPUT, LIMITS),
    st.tuples(st.just("arm"), st.sampled_from((0, 0, 0, 1)), st.sampled_from((0, 0, 0, 1))),
    st.just(("arm again",)),
    st.tuples(st.just("reset"), st.sampled_from((0, 0, 0, 1)), st.sampled_from((0, 0, 0, 1))),
    st.tuples(st.just("message"), MESSAGE),
    st.tuples(st.just("bytes"), st.binary(max_size=40)),
    st.tuples(st.just("bytes"), st.binary(max_size=140).map(lambda b: b + b"\0")),
    st.tuples(st.just("inputs"), LEVELS),
    st.tuples(st.just("restart"), st.sampled_from(ResetCause)),
    st.just(("line_error",)),
    st.just(("line_break",)),
    st.just(("line_idle",)),
    st.just(("internal_fault",)),
    st.just(("recover",)),
)
CEILINGS = st.sampled_from(
    (
        (),
        (Ceilings(400, 200, 2000, 240_000),) * 4,
        (Ceilings(300, 250, 700, 90_000), Ceilings(800, 200, 2000, 240_000)) * 2,
    )
)
BOARDS = st.builds(
    BoardSettings,
    board_id=st.just(0x00C0FFEE),
    ceilings=CEILINGS,
    horn_ms=st.sampled_from((0, 0, 0, 1, 120)),
    first_tick=st.sampled_from((0, 12_345, 2**32 - 300_000, 2**31 - 500_000, 2**40 + 77)),
    checks=st.sampled_from((3, 3, 3, 3, 1, 2)),
)
SOUND_BOARDS = BOARDS.map(lambda board: replace(board, checks=3, horn_ms=0))
MEMORIES = st.builds(
    BoardMemory,
    state=st.sampled_from(State),
    cause=st.sampled_from(Cause),
    trip_number=st.sampled_from((0, 1, 0xFFFF)),
    boot_id=st.sampled_from((0, 7, 0xFFFF, U32)),
).map(lambda m: replace(m, cause=m.cause if m.state == State.TRIPPED else Cause.NONE))
POLL = st.sampled_from((0, 0, 333, 2000))
EXAMPLES = int(os.environ.get("COILWARDEN_EXAMPLES", "60"))
UNHURRIED = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))


@UNHURRIED
@given(
    SOUND_BOARDS,
    POLL,
    st.lists(LIMITS.filter(lambda one: one[0] == 400), min_size=1, max_size=3),
    st.lists(PLAYING, min_size=10, max_size=60),
)
def test_a_host_that_plays(
    board: BoardSettings, poll_every: int, limits: list[Any], operations: list[Any]
) -> None:
    pair = Pair(board, BoardMemory(), poll_every=poll_every)
    for output, fields in zip((0, 3, 1), limits, strict=False):
        pair.do(("limits", output, fields))
        pair.do(("limits", output, (400, 250, 2000, 90_000, 0, 0, 0, 0)))
        pair.do(("limits", output, (300, 250, 700, 90_000, 0, 0, 0, 0)))
    pair.recover()
    for operation in operations:
        pair.do(operation)
        if pair.model.state == State.TRIPPED:
            pair.recover()
    pair.advance(300 * MS)


@UNHURRIED
@given(
    st.tuples(BOARDS, MEMORIES, st.sampled_from(ResetCause)),
    POLL,
    st.booleans(),
    st.lists(ANYTHING, min_size=10, max_size=50),
)
def test_anything(
    start: tuple[BoardSettings, BoardMemory, ResetCause],
    poll_every: int,
    ready_to_play: bool,
    operations: list[Any],
) -> None:
    board, memory, power_on = start
    pair = Pair(board, memory, power_on=power_on, poll_every=poll_every)
    for operation in operations:
        if ready_to_play and pair.model.state not in MAY_FIRE:
            pair.recover()
        pair.do(operation)
    pair.advance(600 * MS)


@pytest.mark.parametrize(
    "memory", [BoardMemory(State.ARMED), BoardMemory(State.TRIPPED, Cause.KEY_OFF)]
)
@pytest.mark.parametrize("cause", ResetCause)
def test_every_start(memory: BoardMemory, cause: ResetCause) -> None:
    pair = Pair(BoardSettings(board_id=1), memory, power_on=cause)
    pair.advance(200 * MS)
