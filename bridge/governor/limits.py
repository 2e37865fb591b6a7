"""What a coil's configuration allows, in the forms that guard and governor need. Pure.

Two readings of the same limits live here and nowhere else: the ticks that are sent to the guard,
and the *allowances* the governor keeps inside, which follow from those ticks and from the guard's
own rule (PROTOCOL.md, section 9: the sum over 33 slots stays within the bound).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass

from bridge.config import Coil, DutyWindow
from firmware_protocol.messages import GUARD_SLOTS, TICK_HZ, OutputLimits

TOLERANCE = 0.005
"""A board's clock may be off by this share of its nominal rate."""
TICK_US = 1e6 / TICK_HZ
COMPILED_MAX_ON_TICKS = 800
"""The reference board's on-time ceiling: it lengthens the guard's slots."""
COMPILED_DUTY = 0.12
"""The reference board's ceiling on the duty in any 1 s."""
BUSY_SHARE = 0.85
"""Most of the time that pulses and their off-times may fill, so that trains rarely collide."""
TOTAL_ON_SHARE = 0.6
"""Most of a reserve that the trains' single pulses may fill; with 1.5 of each to be kept this
leaves a tenth of the reserve for starts and ends."""

_TICKS_PER_MS = TICK_HZ // 1000
_LONGEST_WINDOW_MS = 10_000
_MOST_PERCENT = 12
_CLOCK_ROUNDING = 1e-4
"""Period rounding (2e-5) and an error of 50 ppm in the measured tick rate."""


def _windows(coil: Coil) -> tuple[DutyWindow, ...]:
    """The configured windows with the 1 s window first: as configured, or as the others imply."""
    second = [w for w in coil.duty_windows if w.window_ms == 1000]
    others = [w for w in coil.duty_windows if w.window_ms != 1000]
    if not second:
        # n whole windows cover a second; a window longer than that bounds the second it holds.
        implied = [w.max_percent * w.window_ms * math.ceil(1000 / w.window_ms) for w in others]
        percent = min(COMPILED_DUTY * 100, *(p / 1000 for p in implied))
        second = [DutyWindow(window_ms=1000, max_percent=percent)]
    return (*second, *others)


def _bound_ticks(window: DutyWindow) -> int:
    share = window.max_percent / 100 * (1 - TOLERANCE)
    return math.floor(window.window_ms * _TICKS_PER_MS * share + 1e-9)


def _longest_on_ticks(coil: Coil) -> int:
    return math.floor(coil.max_on_time_us / TICK_US * (1 - TOLERANCE) + 1e-9)


def _guard_window_ms(window: DutyWindow, max_on_ticks: int) -> int:
    """The length sent to the guard: enough of the fast board's ticks to hold the true window.

    The guard's stretch is W + 800 ticks; what the longest pulse leaves of the 800 takes in a fast
    clock for short windows, and one or a few milliseconds more do for long ones. The 1 s window
    cannot be lengthened.
    """
    true_ticks = window.window_ms * _TICKS_PER_MS * (1 + TOLERANCE)
    missing = true_ticks + max_on_ticks - COMPILED_MAX_ON_TICKS
    return min(_LONGEST_WINDOW_MS, max(window.window_ms, math.ceil(missing / _TICKS_PER_MS)))


def guard_limits(coil: Coil) -> OutputLimits:
    """What is sent to the guard, in nominal ticks, so tightened that it holds in true time.

    On-time, duty and rate are lowered and off-time raised by TOLERANCE; a window other than 1 s is
    lengthened where a fast board would cut it short. The 1 s windows of rate and duty keep their
    length in the board's own time: on a fast board they are up to 5 ms short, which only the
    governor makes good.
    """
    max_on = _longest_on_ticks(coil)
    second, *others = _windows(coil)
    extra = [(_guard_window_ms(w, max_on), _bound_ticks(w)) for w in others] + [(0, 0), (0, 0)]
    return OutputLimits(
        output=coil.output - 1,
        max_on_ticks=max_on,
        min_off_ticks=math.ceil(coil.min_off_time_us / TICK_US * (1 + TOLERANCE) - 1e-9),
        max_starts_1s=math.floor(coil.max_break_rate_hz * (1 - TOLERANCE) + 1e-9),
        max_duty_1s_ticks=_bound_ticks(second),
        window2_ms=extra[0][0],
        window2_ticks=extra[0][1],
        window3_ms=extra[1][0],
        window3_ticks=extra[1][1],
    )


@dataclass(frozen=True, slots=True)
class Allowance:
    """One bound of the guard, cut into a steady flow and a reserve for all that is not steady.

    In any `stretch_s` of true time at most `flow`·stretch + `reserve` comes, which the guard of a
    board within TOLERANCE takes. Units: µs of on-time (duty) or starts (break rate).
    """

    window_ms: int
    """As configured; what people are told."""
    stretch_s: float
    """33 slots, on the slowest board."""
    flow: float
    """Per second."""
    reserve: float
    limit_flow: float
    """What the configuration says, per second: the base of shares."""


def _allowance(
    window_ms: int, sent_ms: int, bound: float, reserve: float, limit_flow: float, *, starts: bool
) -> Allowance:
    # L ticks of a board that runs at f last L/f, and a pulse counts on·f there: flow·L + reserve·f.
    # So on-time feels only the fast clock, and that in the reserve; starts, which no clock makes
    # more, feel the slow one in the flow.
    slot_ticks = math.ceil((sent_ms * _TICKS_PER_MS + COMPILED_MAX_ON_TICKS) / GUARD_SLOTS)
    stretch_s = (GUARD_SLOTS + 1) * slot_ticks / TICK_HZ
    return Allowance(
        window_ms=window_ms,
        stretch_s=stretch_s / (1 - TOLERANCE),
        flow=max(0.0, bound - reserve)
        / stretch_s
        * (1 - _CLOCK_ROUNDING - (TOLERANCE if starts else 0)),
        reserve=reserve if starts else reserve / (1 + TOLERANCE),
        limit_flow=limit_flow,
    )


def _duty_allowance(coil: Coil, window: DutyWindow) -> Allowance:
    bound_us = _bound_ticks(window) * TICK_US
    # A tenth is enough where a pulse is small against the bound. Where it is not, the longest pulse
    # thrice (fired, late, begun anew); but most of the bound stays flow.
    reserve = max(0.10 * bound_us, min(0.40 * bound_us, 3 * coil.max_on_time_us))
    sent_ms = window.window_ms
    if sent_ms != 1000:
        sent_ms = _guard_window_ms(window, _longest_on_ticks(coil))
    limit_flow = window.max_percent * 1e4
    return _allowance(window.window_ms, sent_ms, bound_us, reserve, limit_flow, starts=False)


def duty_allowances(coil: Coil) -> tuple[Allowance, ...]:
    """The duty windows as the guard keeps them, 1 s first. µs of on-time."""
    return tuple(_duty_allowance(coil, window) for window in _windows(coil))


def rate_allowance(coil: Coil) -> Allowance:
    """The break rate as the guard keeps it. Starts."""
    bound = guard_limits(coil).max_starts_1s
    reserve = max(0.03 * bound, min(10.0, 0.2 * bound))
    return _allowance(1000, 1000, bound, reserve, coil.max_break_rate_hz, starts=True)


def longest_on_time_us(coil: Coil) -> float:
    """The longest on-time that no board counts as more ticks than its guard allows."""
    return guard_limits(coil).max_on_ticks * TICK_US / (1 + TOLERANCE)


def shortest_on_time_us(coil: Coil) -> float:
    """Breakout, and a tick more, since the link rounds down to whole ticks."""
    tick_more = coil.min_on_time_us + TICK_US / (1 - TOLERANCE) + 1e-6
    return min(tick_more, max(coil.min_on_time_us, longest_on_time_us(coil)))


def off_time_us(coil: Coil) -> float:
    """The guard's off-time on the slowest board, with a tick for rounding up."""
    return (guard_limits(coil).min_off_ticks + 1) * TICK_US / (1 - TOLERANCE)


def _holds_us(coil: Coil, window: DutyWindow, break_rate_hz: float) -> float:
    """The longest pulse of one train at this rate that the window holds for ever."""
    allowance = _duty_allowance(coil, window)
    return min(allowance.flow / break_rate_hz, TOTAL_ON_SHARE * allowance.reserve)


def check_coil(coil: Coil) -> list[str]:
    """What makes this coil unplayable though every value by itself is allowed; empty: nothing.

    Sentences: key, value found, what is allowed.
    """
    problems: list[str] = []
    shortest = shortest_on_time_us(coil)
    longest = longest_on_time_us(coil)
    if longest < coil.min_on_time_us:
        needed = coil.min_on_time_us * (1 + TOLERANCE) / (1 - TOLERANCE) + TICK_US
        problems.append(
            f"max_on_time_us: {coil.max_on_time_us:g} leaves no room for the board's clock "
            f"tolerance of {TOLERANCE:.1%} above min_on_time_us = {coil.min_on_time_us:g}; "
            f"at least {math.ceil(needed * 10) / 10:g} is needed"
        )
    lowest_hz = 440.0 * 2 ** ((coil.notes.lowest - 69) / 12)
    for index, window in enumerate(coil.duty_windows):
        if _holds_us(coil, window, lowest_hz) >= shortest:
            continue
        enough = bisect_left(
            range(_MOST_PERCENT * 100 + 1),
            shortest,
            key=lambda hundredths, window=window: _holds_us(
                coil, window.model_copy(update={"max_percent": hundredths / 100}), lowest_hz
            ),
        )
        remedy = (
            f"at least {enough / 100:g} is needed"
            if enough <= _MOST_PERCENT * 100
            else f"not even {_MOST_PERCENT} would do: lower min_on_time_us or lengthen the window"
        )
        problems.append(
            f"duty_windows[{index + 1}].max_percent: {window.max_percent:g} in "
            f"{window.window_ms} ms cannot hold one train of the shortest pulse "
            f"({coil.min_on_time_us:g} µs) at the lowest note ({lowest_hz:.1f} Hz) within the "
            f"controller's rule; {remedy}"
        )
    rate = rate_allowance(coil)
    if rate.flow < lowest_hz:
        needed_hz = lowest_hz * rate.stretch_s / 0.8 / (1 - TOLERANCE) + 1
        problems.append(
            f"max_break_rate_hz: {coil.max_break_rate_hz} is too low to play even the lowest note "
            f"({lowest_hz:.1f} Hz); at least {math.ceil(needed_hz)} is needed, or a lower "
            f"notes.lowest"
        )
    busy_us = shortest + off_time_us(coil)
    if busy_us * lowest_hz > BUSY_SHARE * 1e6:
        problems.append(
            f"min_off_time_us: {coil.min_off_time_us:g} fills more than {BUSY_SHARE:.0%} of the "
            f"time at the lowest note ({lowest_hz:.1f} Hz); at most "
            f"{math.floor(BUSY_SHARE * 1e6 / lowest_hz - shortest):g} is allowed"
        )
    return problems
