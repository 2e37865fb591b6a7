"""Whether this is the board we mean, with the limits we mean, and nothing else."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace

import pytest

from bridge.link.setup import Setup
from firmware_protocol import messages as m

BOARD = 0x7A31C002
CEILINGS = m.Ceilings(800, 200, 2000, 240_000)
FIRST = m.OutputLimits(0, 298, 1005, 696, 79_600, 100, 11_900, 0, 0)
THIRD = m.OutputLimits(2, 200, 2000, 500, 40_000, 0, 0, 0, 0)
WANTED = {0: FIRST, 2: THIRD}


def digest(boot_id: int, *limits: m.OutputLimits) -> int:
    """PROTOCOL.md, section 6, by hand: CRC-32 (zlib) over build, board, boot, limits by output."""
    data = struct.pack("<III", 7, BOARD, boot_id)
    for one in limits:
        data += struct.pack(
            "<BHHHIHIHI",
            one.output,
            one.max_on_ticks,
            one.min_off_ticks,
            one.max_starts_1s,
            one.max_duty_1s_ticks,
            one.window2_ms,
            one.window2_ticks,
            one.window3_ms,
            one.window3_ticks,
        )
    return zlib.crc32(data)


def identity(digest_value: int = 0, **changes: int) -> m.Identity:
    board = m.Identity(
        version=m.VERSION, build=7, flash_crc=1, fuse_low=0, fuse_high=0, fuse_extended=0,
        lock_bits=0, board_id=BOARD, boot_id=5, reset_cause=0, tick_hz=m.TICK_HZ, outputs=4,
        slots=4, queue_frames=16, horn_ms=0, checks=3, digest=digest_value,
        ceilings=(CEILINGS,) * 4,
    )  # fmt: skip
    return replace(board, **changes)


def fresh(**changes: int) -> Setup:
    setup = Setup(BOARD, WANTED)
    setup.take_identity(identity(digest(5), **changes))
    return setup


def in_force() -> Setup:
    setup = fresh()
    setup.take_limits(m.LimitsSet(FIRST, digest(5, FIRST)))
    setup.take_limits(m.LimitsSet(THIRD, digest(5, FIRST, THIRD)))
    return setup


def test_an_unknown_board_is_a_problem_and_gets_nothing() -> None:
    setup = Setup(BOARD, WANTED)
    assert setup.problem() == "no identity yet"
    assert setup.to_send() == []


def test_a_fresh_board_gets_every_limit_once() -> None:
    setup = fresh()
    assert setup.to_send() == [m.Limits(FIRST), m.Limits(THIRD)]
    assert setup.problem() == "limits of output 1 not set"
    setup.take_limits(m.LimitsSet(FIRST, digest(5, FIRST)))
    assert setup.to_send() == [m.Limits(THIRD)]
    assert setup.problem() == "limits of output 3 not set"
    setup.take_limits(m.LimitsSet(THIRD, digest(5, FIRST, THIRD)))
    assert setup.to_send() == []
    assert setup.problem() == ""


def test_the_digest_is_the_protocols() -> None:
    assert fresh().digest() == digest(5, FIRST, THIRD)
    backwards = Setup(BOARD, {2: THIRD, 0: FIRST})
    backwards.take_identity(identity())
    assert backwards.digest() == digest(5, FIRST, THIRD)


@pytest.mark.parametrize("field", ["build", "board_id", "boot_id"])
def test_the_digest_is_of_this_board_in_this_boot(field: str) -> None:
    setup = Setup(BOARD, WANTED)
    setup.take_identity(identity(**{field: 99}))
    assert setup.digest() != digest(5, FIRST, THIRD)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"board_id": 0x7A31C003}, "is board 7a31c003, not 7a31c002"),
        ({"version": 2}, "speaks protocol 2, not 1"),
        ({"tick_hz": 1_000_000}, "counts 1000000 ticks a second, not 2000000"),
        ({"tick_hz": 16_000_000}, "counts 16000000 ticks a second, not 2000000"),
        ({"slots": 3}, "has 3 slots an output, this host needs 4"),
        ({"outputs": 2}, "has 2 outputs, the configuration uses output 3"),
    ],
)
def test_a_board_that_is_not_the_one_meant_gets_nothing(
    changes: dict[str, int], words: str
) -> None:
    setup = fresh(**changes)
    assert setup.to_send() == []
    assert setup.problem() == words
    # Not even when it claims to hold all of it.
    setup.take_limits(m.LimitsSet(FIRST, setup.digest()))
    setup.take_limits(m.LimitsSet(THIRD, setup.digest()))
    assert setup.problem() == words


CEILING_CASES = [
    ("max_on_ticks", "max_on_time", -1),
    ("min_off_ticks", "min_off_time", +1),
    ("max_starts_1s", "max_break_rate", -1),
    ("max_duty_1s_ticks", "duty in 1 s", -1),
]


@pytest.mark.parametrize(("field", "words", "tighter"), CEILING_CASES)
def test_limits_looser_than_a_ceiling_are_not_sent(field: str, words: str, tighter: int) -> None:
    wanted = getattr(THIRD, field)
    for distance, fits in ((0, True), (1, False)):
        ceiling = replace(CEILINGS, **{field: wanted + distance * tighter})
        setup = Setup(BOARD, {2: THIRD})
        setup.take_identity(
            replace(identity(digest(5)), ceilings=(CEILINGS, CEILINGS, ceiling, CEILINGS))
        )
        if fits:
            assert setup.to_send() == [m.Limits(THIRD)]
        else:
            assert setup.to_send() == []
            assert f"output 3: {words} of the configuration ({wanted}) is looser" in setup.problem()
            assert f"({wanted + tighter})" in setup.problem()


def test_another_outputs_ceiling_does_not_matter() -> None:
    setup = Setup(BOARD, {0: FIRST})
    tight = m.Ceilings(1, 60_000, 1, 1)
    setup.take_identity(replace(identity(), ceilings=(CEILINGS, tight, tight, tight)))
    assert setup.to_send() == [m.Limits(FIRST)]


def test_an_output_that_holds_limits_nobody_here_wants_is_a_problem() -> None:
    extra = replace(THIRD, output=3)
    setup = in_force()
    setup.take_limits(m.LimitsSet(extra, digest(5, FIRST, THIRD, extra)))
    assert setup.problem().startswith("digest differs")
    assert setup.to_send() == []


def test_a_digest_that_differs_is_a_problem_though_all_limits_look_right() -> None:
    setup = in_force()
    setup.take_limits(m.LimitsSet(THIRD, digest(5, FIRST, THIRD) ^ 1))
    assert setup.problem().startswith("digest differs")


def test_the_digest_said_with_the_identity_counts_too() -> None:
    setup = in_force()
    setup.take_identity(identity(digest(5, FIRST)))
    assert setup.problem().startswith("digest differs")
    setup.take_identity(identity(digest(5, FIRST, THIRD)))
    assert setup.problem() == ""


@pytest.mark.parametrize("field", ["max_on_ticks", "min_off_ticks", "window2_ticks"])
def test_other_limits_in_force_are_a_problem_and_ours_are_sent_again(field: str) -> None:
    setup = in_force()
    other = replace(FIRST, **{field: getattr(FIRST, field) - 1})
    setup.take_limits(m.LimitsSet(other, digest(5, other, THIRD)))
    assert setup.problem() == "the board holds other limits for output 1"
    assert setup.to_send() == [m.Limits(FIRST)]
    setup.refused("would loosen")
    assert setup.problem() == "the board holds other limits for output 1: refused, would loosen"


def test_a_refusal_is_told_though_another_output_is_taken_after_it() -> None:
    setup = fresh()
    setup.refused("bad limits")
    setup.take_limits(m.LimitsSet(THIRD, digest(5, THIRD)))
    assert setup.problem() == "limits of output 1 not set: refused, bad limits"
    setup.take_limits(m.LimitsSet(FIRST, digest(5, FIRST, THIRD)))
    assert setup.problem() == ""


def test_a_restarted_board_holds_nothing_any_more() -> None:
    setup = in_force()
    setup.take_identity(identity(digest(6), boot_id=6))
    assert setup.problem() == "limits of output 1 not set"
    assert setup.to_send() == [m.Limits(FIRST), m.Limits(THIRD)]


def test_the_same_board_in_the_same_boot_keeps_what_it_holds() -> None:
    setup = in_force()
    setup.take_identity(identity(digest(5, FIRST, THIRD)))
    assert setup.to_send() == []
    assert setup.problem() == ""


def test_a_board_that_is_gone_is_unknown() -> None:
    setup = in_force()
    setup.refused("bad limits")
    setup.forget()
    assert setup.problem() == "no identity yet"
    setup.take_identity(identity(digest(5)))
    assert setup.problem() == "limits of output 1 not set"
