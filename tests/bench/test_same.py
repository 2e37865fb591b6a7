"""What the comparison of the image with its twins forgives, and no more: see same.py."""

from __future__ import annotations

import pytest

from bridge.link.simulated_settings import Pulse
from firmware_protocol.catalogue import Cause, GuardReason, State
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Status
from tests.bench.same import let_through, turned
from tests.bench.twin import Twin

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


OFF = 200
LONG, SHORT = 50, 2
THEIRS = [Pulse(0, 5000, SHORT), Pulse(0, 5202, LONG)]
MINE = [Pulse(0, 5000, LONG), Pulse(0, 5250, SHORT)]


@pytest.mark.parametrize(
    ("mine", "theirs", "gone", "is_forgiven"),
    [
        (MINE, THEIRS, {MISSED}, True),
        (MINE, THEIRS, set[Pulse](), False),
        (MINE, THEIRS, {Pulse(0, 5100, LONG)}, False),  # it must lie before
        ([Pulse(0, 5001, LONG), Pulse(0, 5251, SHORT)], THEIRS, {MISSED}, False),
        ([Pulse(0, 5000, LONG), Pulse(0, 5260, SHORT)], THEIRS, {MISSED}, False),
        ([Pulse(0, 5000, LONG), Pulse(0, 5250, LONG)], THEIRS, {MISSED}, False),
        (MINE, [Pulse(0, 5000, SHORT), Pulse(0, 5300, LONG)], {MISSED}, False),  # no shared point
        (MINE[:1], THEIRS, {MISSED}, False),
        (MINE, THEIRS[1:], {MISSED}, False),
    ],
)
def test_the_order_of_equal_grid_points_is_turned_by_a_pulse_that_did_not_come(
    mine: list[Pulse], theirs: list[Pulse], gone: set[Pulse], is_forgiven: bool
) -> None:
    found = turned(mine, theirs, gone, OFF)
    assert found == ((set(mine), set(theirs)) if is_forgiven else (set(), set()))


ARMED, LOCKED = (State.ARMED, Cause.NONE), (State.LOCKED, Cause.NONE)
REFUSED, STOPPED = (State.TRIPPED, Cause.GUARD_REFUSALS), (State.TRIPPED, Cause.HOST_STOP)


def twin_of(told: list[tuple[int, tuple[State, Cause]]], refused: list[int], loose: int) -> Twin:
    """Twins that told these states at these ticks; of output 2 the guard refused a pulse at each
    tick of `refused`. The image may differ from 4,900 to 5,100 on output `loose`."""
    twin = object.__new__(Twin)
    twin.said = [
        (tick, encode_frame(Status.TYPE, 0, Status(tick, *state, 1, *[0] * 10, 0, ()).payload()))
        for tick, state in told
    ]
    twin.refused = [[], [], [(tick, RATE) for tick in refused], []]
    twin.loose = [[(4900, 5100)] if output == loose else [] for output in range(4)]
    twin.frames, twin.decided = [], [[], [], [], []]
    return twin


@pytest.mark.parametrize(
    ("told", "refused_at", "loose", "ends_at"),
    [
        ([(1000, ARMED), (9000, REFUSED)], [5000], 2, 9000),
        ([(1000, ARMED), (7000, ARMED), (9000, REFUSED)], [3000, 5100], 2, 9000),
        ([(1000, ARMED), (9000, REFUSED)], [5101], 2, None),  # the image was in time: it trips, too
        ([(1000, ARMED), (9000, REFUSED)], [5000], 1, None),
        ([(1000, ARMED), (9000, STOPPED)], [5000], 2, None),
        ([(1000, ARMED), (9000, ARMED)], [5000], 2, None),
        ([(5001, ARMED), (9000, REFUSED)], [5000], 2, None),  # counted since arming
        ([(1000, ARMED), (6000, LOCKED), (7000, ARMED), (9000, REFUSED)], [5000], 2, None),
        ([(1, ARMED), (3000, REFUSED), (4000, ARMED), (9000, REFUSED)], [5000], 2, 9000),
    ],
)
def test_a_trip_by_refusals_is_unsure_where_one_of_them_may_have_been_dropped(
    told: list[tuple[int, tuple[State, Cause]]],
    refused_at: list[int],
    loose: int,
    ends_at: int | None,
) -> None:
    assert twin_of(told, refused_at, loose).unsure_trip() == ends_at
