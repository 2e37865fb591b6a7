"""The independent judge of what reached a board's pins: tests/pulse_checker.py, to the cycle."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from firmware_protocol.catalogue import State
from firmware_protocol.messages import OutputLimits, Status
from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_TICK, CYCLES_PER_US, Pulse
from tests.bench.image_bench import CEILINGS, ImageBench
from tests.firmware.hostile import unlawful_us
from tests.pulse_checker import Violation

STOP_CYCLES = CYCLES_PER_MS
"""A trip's frame, or what else ended permission, to the last light: the project's own bound."""


def ceilings(output: int) -> OutputLimits:
    """The compiled ceilings, as limits."""
    return OutputLimits(output, *CEILINGS)


def unlawful(pulses: Iterable[Pulse], limits: OutputLimits) -> list[Violation]:
    """All that `limits` forbid of what their output's pin did, exactly, to the cycle."""
    mine = [
        (Fraction(p.start_cycle, CYCLES_PER_US), Fraction(p.on_cycles or 0, CYCLES_PER_US))
        for p in pulses
        if p.output == limits.output
    ]
    return unlawful_us(mine, limits)


def outside_armed(board: ImageBench, pulses: Iterable[Pulse]) -> list[Pulse]:
    """Pulses that began before, or after, what the board's own statuses called armed.

    A status is told after the fact, so the end of permission is taken by its own tick.
    """
    tick, cycle = board.clock()
    base = cycle - tick * CYCLES_PER_TICK
    board.collect()
    spans: list[list[int]] = []
    armed = False
    for _, message in board.messages:
        if not isinstance(message, Status):
            continue
        at = base + message.now * CYCLES_PER_TICK
        if (message.state == State.ARMED) != armed:
            armed = not armed
            if armed:
                spans.append([at, board.now])
            else:
                spans[-1][1] = at + STOP_CYCLES
    return [p for p in pulses if not any(a <= p.start_cycle <= b for a, b in spans)]


def judge(board: ImageBench, *limits: OutputLimits, asks_too_fast: bool = False) -> int:
    """Every output by its limits, else by the compiled ceilings; returns how many pulses.
    `asks_too_fast`: questions without waiting for answers may cost bytes (WIRING.md)."""
    pulses = board.pulses()
    by_output = {one.output: one for one in limits}
    for output in range(4):
        assert unlawful(pulses, by_output.get(output, ceilings(output))) == []
    assert outside_armed(board, pulses) == []
    assert all(p.on_cycles is not None for p in pulses)
    assert [cause for _, cause, _ in board.statistics()["resets"]] == ["power"]
    assert asks_too_fast or board.peek("uart_lost", 1) == b"\0"
    return len(pulses)
