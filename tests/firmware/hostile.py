"""Liar hosts for the C core, and the independent judge of what they got out of it."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from bridge.link.simulated_settings import Pulse
from firmware_protocol.catalogue import State
from firmware_protocol.messages import OutputLimits, Status
from tests.pulse_checker import Violation, check_pulses

from .bench import CoreBench


def unlawful(pulses: Sequence[Pulse], limits: OutputLimits) -> list[Violation]:
    """All that `limits` forbid, among the pulses of one output; ticks are half microseconds."""
    return unlawful_us(
        [(Fraction(p.start_tick, 2), Fraction(p.on_ticks, 2)) for p in pulses], limits
    )


def unlawful_us(
    pulses: Sequence[tuple[Fraction, Fraction]], limits: OutputLimits
) -> list[Violation]:
    """The same of (start, on-time) in µs."""
    windows = [(1_000_000, Fraction(limits.max_duty_1s_ticks, 2))]
    for ms, ticks in (
        (limits.window2_ms, limits.window2_ticks),
        (limits.window3_ms, limits.window3_ticks),
    ):
        if ms:
            windows.append((1000 * ms, Fraction(ticks, 2)))
    return check_pulses(
        pulses,
        max_on_us=Fraction(limits.max_on_ticks, 2),
        min_off_us=Fraction(limits.min_off_ticks, 2),
        max_starts_1s=limits.max_starts_1s,
        windows=windows,
    )


def armed_times(bench: CoreBench) -> list[tuple[int, int]]:
    """[from, until] in wire ticks, by what the board's own statuses told."""
    spans: list[tuple[int, int]] = []
    since: int | None = None
    for _, message in bench.messages:
        if isinstance(message, Status):
            armed = message.state == State.ARMED
            if armed and since is None:
                since = message.now
            if not armed and since is not None:
                spans.append((since, message.now))
                since = None
    if since is not None:
        spans.append((since, bench.board.wire_tick))
    return spans
