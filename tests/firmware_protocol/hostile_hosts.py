"""Hosts from a seed that may ask for anything, for the golden vectors.

`AT_TICKS`: at any tick, as often as it likes, at the very bounds of what is taken; no line could
carry it, and a model or a core on the host plays it exactly. `ON_A_LINE`: so that a board behind
a real line, whose main loop takes its time, does the same to the tick: what it takes or refuses
lies apart by more than it takes to obey, no more grid points are asked than it can reckon
(PROTOCOL.md, section 8), and the guard's windows are at their widest, for after one pulse that
came late they would differ for a second.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

from firmware_protocol.catalogue import State
from firmware_protocol.messages import (
    FLAG_FORGET_LATER,
    FLAG_IMMEDIATE,
    Arm,
    Ceilings,
    Disarm,
    Hello,
    Limits,
    OutputLimits,
    Ping,
    Reset,
    Slot,
    Stop,
)
from tests.link.board_bench import MS, Bench

READ = 2 * MS
"""More than a board takes to obey what it has received, and to answer."""
STEPS = 60


class Manner(NamedTuple):
    """How such a host goes about it; times in ticks."""

    limits: Callable[[random.Random, Ceilings], OutputLimits]
    slot: Callable[[random.Random, OutputLimits], Slot]
    settled: int
    """It waits so long after arming, and after a trip that it has seen."""
    gaps: tuple[int, ...]
    ahead: tuple[int | None, ...]
    """Of apply_at; None: at once."""
    leases: tuple[int, ...]


def hostile(seed: int, ceilings: Ceilings, manner: Manner) -> Callable[[Bench], None]:
    """The host's script."""

    def play(bench: Bench) -> None:
        chance = random.Random(seed)
        limits = manner.limits(chance, ceilings)
        bench.armed(limits, replace(limits, output=3))
        _wait(bench, 5 * manner.settled)
        for _ in range(STEPS):
            _step(bench, chance, limits, manner)
            bench.advance(chance.choice(manner.gaps))
            if bench.board.state == State.TRIPPED:
                _wait(bench, manner.settled)
                bench.inputs(estop_a=True, estop_b=True, key=True)
                bench.advance(100 * MS + manner.settled)
                bench.reset_trip()
            if bench.board.state == State.LOCKED:
                _wait(bench, manner.settled)
                bench.arm()
                _wait(bench, manner.settled)
        bench.advance(300 * MS)

    play.__doc__ = f"A hostile host, seed {seed}: anything may be asked."
    return play


def _wait(bench: Bench, ticks: int) -> None:
    """Leaves no step in the record where there is nothing to wait for."""
    if ticks:
        bench.advance(ticks)


def _step(bench: Bench, chance: random.Random, limits: OutputLimits, manner: Manner) -> None:
    """One thing that a hostile or broken host may do, mostly voices frames of every kind."""
    pick = chance.random()
    output = chance.choice((0, 3, 3, 0, 1, 4)) if pick < 0.1 else chance.choice((0, 3))
    slots = tuple(
        None if chance.random() < 0.3 else manner.slot(chance, limits)
        for _ in range(chance.randint(0, 4))
    )
    if pick < 0.85:
        ahead = chance.choice(manner.ahead)
        if ahead is None:
            flags = FLAG_IMMEDIATE | chance.choice((0, FLAG_FORGET_LATER))
        else:
            flags = chance.choice((0, 0, FLAG_FORGET_LATER))
        bench.voices(
            *slots,
            output=output,
            at=None if ahead is None else bench.tick + ahead,
            flags=flags,
            lease=chance.choice(manner.leases),
        )
    elif pick < 0.88:
        bench.voices(*slots, output=output, session=chance.choice((None, None, 1)))
    elif pick < 0.90:
        bench.voices(*slots, output=output, number=(bench.number - 1) & 0xFFFF)
    elif pick < 0.94:
        bench.send(chance.choice((Ping(1, 0), Ping(2, 1), Reset(1, 2), Arm(3, 4))))
    elif pick < 0.96:
        bench.send(chance.choice((Stop(2), Disarm(), Hello(), Limits(limits))))
    elif pick < 0.98:
        bench.send_raw(bytes(chance.randrange(256) for _ in range(20)) + b"\x00")
    else:
        bench.inputs(**chance.choice(({"key": False}, {"estop_a": False, "estop_b": False})))


def _any_limits(chance: random.Random, ceilings: Ceilings) -> OutputLimits:
    limits = OutputLimits(
        0,
        chance.randint(1, ceilings.max_on_ticks),
        chance.randint(ceilings.min_off_ticks, 600),
        chance.randint(20, ceilings.max_starts_1s),
        chance.randint(2000, ceilings.max_duty_1s_ticks),
        chance.choice((5, 20, 300)),
        chance.randint(1000, 20_000),
        chance.choice((0, 50)),
        0,
    )
    if limits.window3_ms:
        limits = replace(limits, window3_ticks=chance.randint(1000, 20_000))
    return limits


def _wide_limits(chance: random.Random, ceilings: Ceilings) -> OutputLimits:
    return OutputLimits(
        0,
        chance.randint(1, ceilings.max_on_ticks),
        chance.randint(ceilings.min_off_ticks, 600),
        ceilings.max_starts_1s,
        ceilings.max_duty_1s_ticks,
    )


def _on_ticks(chance: random.Random, limits: OutputLimits) -> int:
    return chance.choice((2, limits.max_on_ticks, limits.max_on_ticks, chance.randint(1, 800)))


def _any_slot(chance: random.Random, limits: OutputLimits) -> Slot:
    return Slot(
        start=chance.randint(0, 3),
        bangs=chance.choice((0, 0, 1, 5, 255)),
        spread=chance.choice((0, 0, 30, 128)),
        phase=chance.randint(0, 255),
        on_ticks=_on_ticks(chance, limits),
        step=chance.choice((0, 0, 5, 4000)),
        period=chance.choice((51_200, 99_999, 512_000, chance.randint(51_200, 2**24))),
    )


def _reckonable_slot(chance: random.Random, limits: OutputLimits) -> Slot:
    """The fastest trains end after a few bangs, and no other becomes one."""
    fast = chance.random() < 0.15
    return Slot(
        start=chance.randint(0, 3) + (4 if fast else 0),
        bangs=chance.choice((1, 3) if fast else (0, 0, 1, 5, 255)),
        spread=chance.choice((0, 0, 30, 128)),
        phase=chance.randint(0, 255),
        on_ticks=_on_ticks(chance, limits),
        step=chance.choice((0, 0, 5, 4000)),
        period=chance.choice((51_200, 99_999) if fast else (512_000, chance.randint(2**20, 2**24))),
    )


AT_TICKS = Manner(
    limits=_any_limits,
    slot=_any_slot,
    settled=0,
    gaps=(0, 1, 200, 5000, 30_000),
    ahead=(None, None, 0, 1, 5000, 60_000, -1, -40_000, -50_000),
    leases=(500_000, 500_000, 400_000, 500_001, 0, 9000),
)
ON_A_LINE = Manner(
    limits=_wide_limits,
    slot=_reckonable_slot,
    settled=READ,
    gaps=(READ, READ, READ, 7000, 30_000),
    ahead=(None, None, 0, 5000, 20_000, 60_000, -1, -30_000, -50_000),
    leases=(490_000, 490_000, 400_000, 520_000, 0, 19_000),
)
