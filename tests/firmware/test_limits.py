"""Which limits the C core takes: each value at its bound and beside (PROTOCOL.md, section 6)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from firmware_protocol.catalogue import Reason
from firmware_protocol.messages import OutputLimits
from tests.link.board_bench import LIMITS

from .guard_bench import c_limits
from .library import CCeilings, library


def check(fresh: OutputLimits, in_force: OutputLimits | None = None) -> int:
    ceilings = CCeilings(800, 200, 2000, 240_000)
    kept = None if in_force is None else c_limits(in_force)
    return library().limits_check(c_limits(fresh), ceilings, kept)


@pytest.mark.parametrize(
    ("field", "value", "reason"),
    [
        ("max_on_ticks", 0, Reason.BAD_LIMITS),
        ("max_on_ticks", 1, 0),
        ("max_on_ticks", 800, 0),
        ("max_on_ticks", 801, Reason.ABOVE_CEILING),
        ("min_off_ticks", 199, Reason.ABOVE_CEILING),
        ("min_off_ticks", 200, 0),
        ("min_off_ticks", 65_535, 0),
        ("max_starts_1s", 0, Reason.BAD_LIMITS),
        ("max_starts_1s", 1, 0),
        ("max_starts_1s", 2000, 0),
        ("max_starts_1s", 2001, Reason.ABOVE_CEILING),
        ("max_duty_1s_ticks", 0, Reason.BAD_LIMITS),
        ("max_duty_1s_ticks", 1, 0),
        ("max_duty_1s_ticks", 240_000, 0),
        ("max_duty_1s_ticks", 240_001, Reason.ABOVE_CEILING),
    ],
)
def test_limits_against_ceilings(field: str, value: int, reason: int) -> None:
    assert check(replace(LIMITS, **{field: value})) == reason


@pytest.mark.parametrize("which", ["window2", "window3"])
@pytest.mark.parametrize(
    ("ms", "ticks", "reason"),
    [
        (0, 0, 0),
        (0, 1, Reason.BAD_LIMITS),
        (4, 1, Reason.BAD_LIMITS),
        (5, 1, 0),
        (5, 0, Reason.BAD_LIMITS),
        (10_000, 1, 0),
        (10_001, 1, Reason.BAD_LIMITS),
    ],
)
def test_windows_that_may_be(which: str, ms: int, ticks: int, reason: int) -> None:
    assert check(replace(LIMITS, **{f"{which}_ms": ms, f"{which}_ticks": ticks})) == reason


BASE = OutputLimits(0, 400, 300, 1000, 100_000, 20, 5000, 50, 6000)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({}, 0),
        ({"max_on_ticks": 399}, 0),
        ({"max_on_ticks": 401}, Reason.WOULD_LOOSEN),
        ({"min_off_ticks": 301}, 0),
        ({"min_off_ticks": 299}, Reason.WOULD_LOOSEN),
        ({"max_starts_1s": 999}, 0),
        ({"max_starts_1s": 1001}, Reason.WOULD_LOOSEN),
        ({"max_duty_1s_ticks": 99_999}, 0),
        ({"max_duty_1s_ticks": 100_001}, Reason.WOULD_LOOSEN),
        ({"window2_ticks": 4999}, 0),
        ({"window2_ticks": 5001}, Reason.WOULD_LOOSEN),
        ({"window2_ms": 21}, Reason.WOULD_LOOSEN),
        ({"window2_ms": 19}, Reason.WOULD_LOOSEN),
        ({"window2_ms": 0, "window2_ticks": 0}, Reason.WOULD_LOOSEN),
        ({"window3_ticks": 5999}, 0),
        ({"window3_ticks": 6001}, Reason.WOULD_LOOSEN),
        ({"window3_ms": 51}, Reason.WOULD_LOOSEN),
        ({"window3_ms": 0, "window3_ticks": 0}, Reason.WOULD_LOOSEN),
    ],
)
def test_limits_only_tighten(change: dict[str, int], reason: int) -> None:
    assert check(replace(BASE, **change), BASE) == reason


def test_a_window_can_be_added_later() -> None:
    assert check(BASE, replace(BASE, window2_ms=0, window2_ticks=0)) == 0
    assert check(BASE, replace(BASE, window3_ms=0, window3_ticks=0)) == 0
