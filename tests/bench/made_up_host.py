"""Hosts that hypothesis makes up, played on the image: they play, err, stop, and come back."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import strategies as st

from firmware_protocol.catalogue import State
from firmware_protocol.messages import (
    Arm,
    Disarm,
    Hello,
    Limits,
    OutputLimits,
    Ping,
    Reset,
    Slot,
    Stop,
)
from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_US
from tests.bench.image_bench import (
    BYTE_CYCLES,
    CEILINGS,
    ESTOP_A,
    ESTOP_B,
    KEY,
    LOCAL_STOP,
    MS_TICKS,
    ImageBench,
)

Strategy = st.SearchStrategy[Any]
LIMITS = (CEILINGS, (400, 300, 600, 80_000), (300, 250, 300, 20_000))
"""Of outputs 0, 1 and 2; output 3 has none."""

SLOT = st.builds(
    Slot,
    start=st.integers(1, 3),
    bangs=st.sampled_from((0, 0, 0, 1, 3, 40)),
    spread=st.sampled_from((0, 0, 0, 5, 128)),
    phase=st.sampled_from((0, 30, 128, 255)),
    on_ticks=st.sampled_from((2, 50, 100, 200, 300, 400, 401)),
    step=st.sampled_from((0, 0, 0, 40, 4000)),
    period=st.one_of(st.sampled_from((512_000, 1_163_636)), st.integers(400_000, 8_000_000)),
)
BAD_SLOT = st.sampled_from((Slot(1, 0, 0, 0, 0, 0, 512_000), Slot(1, 0, 0, 0, 9, 0, 51_199)))
SLOTS = st.one_of(
    *[st.lists(st.one_of(st.none(), SLOT, SLOT), max_size=3).map(tuple)] * 5,
    st.tuples(SLOT, BAD_SLOT),
)
OUTPUT = st.sampled_from((0, 1, 2, 0, 1, 2, 0, 1, 3, 4))
LATER = st.tuples(st.just("later"), OUTPUT, SLOTS, st.integers(4, 120), st.sampled_from((0, 0, 2)))
NOW = st.tuples(st.just("now"), OUTPUT, SLOTS)
WAIT = st.tuples(st.just("wait"), st.sampled_from((7, 20, 60, 130, 130, 250)))
ODD = st.one_of(
    st.tuples(st.just("frame"), OUTPUT, st.sampled_from(("stale", "far", "late", "expired"))),
    st.tuples(st.just("bytes"), st.binary(min_size=1, max_size=30)),
    st.tuples(st.just("low"), st.sampled_from((30, 300))),
    st.tuples(st.just("say"), st.sampled_from((Ping(9), Ping(9, 1), Reset(1, 5), Arm(3, 4)))),
)
STOPPING = st.one_of(
    st.tuples(st.just("say"), st.sampled_from((Disarm(), Stop(3), Hello(), Hello(7)))),
    st.tuples(st.just("say"), st.just(Limits(OutputLimits(1, 300, 300, 600, 80_000)))),
    st.tuples(st.just("pin"), st.sampled_from((ESTOP_A, ESTOP_B, KEY, LOCAL_STOP))),
    st.just(("low", 2500)),
    st.just(("wrong session",)),
    st.just(("lapse",)),
)
OPERATIONS = st.lists(
    st.one_of(LATER, LATER, LATER, NOW, NOW, NOW, WAIT, WAIT, WAIT, WAIT, ODD, STOPPING),
    min_size=12,
    max_size=24,
)


NOTE = Slot(2, 0, 0, 128, 200, 0, 1_163_636)
PRELUDE = (("now", 0, (NOTE,)), ("now", 1, (None, NOTE)), ("later", 2, (NOTE,), 9, 0), ("wait", 60))
"""So that something sounds in each example."""


class Host:
    """Does the operations above on the board, and comes back after each stop."""

    def __init__(self, board: ImageBench) -> None:
        self.board = board
        self.newest: list[tuple[Slot | None, ...]] = [(), (), ()]
        self.queued: list[tuple[int, int, tuple[Slot | None, ...]]] = []
        """(output, apply_at, slots)"""

    def renew(self) -> None:
        """Queued frames renew no lease: every output says what sounds again."""
        tick, _ = self.board.clock()
        for one in sorted(self.queued, key=lambda q: q[1]):
            if one[1] <= tick:
                self.queued.remove(one)
                self.newest[one[0]] = one[2]
        for output in range(3):
            self.now(output, self.newest[output])

    def now(self, output: int, slots: tuple[Slot | None, ...], **more: Any) -> None:
        board = self.board
        tick, _ = board.clock()
        if output < 3:
            self.newest[output] = slots if all(s is None or s.on_ticks for s in slots) else ()
        message = board.voices(output if output < 4 else 3, *slots, now=tick, **more)
        board.send(message if output < 4 else replace(message, output=9))

    def do(self, operation: tuple[Any, ...]) -> None:
        board = self.board
        match operation:
            case ("later", output, slots, ahead_ms, flags):
                tick, _ = board.clock()
                message = board.voices(
                    min(output, 3), *slots, now=tick, at=tick + ahead_ms * MS_TICKS
                )
                board.send(replace(message, flags=flags))
                if output < 3 and all(s is None or s.on_ticks for s in slots):
                    self.queued.append((output, message.apply_at, slots))
            case ("now", output, slots):
                self.now(output, slots)
            case ("wait", ms):
                until = board.now + ms * CYCLES_PER_MS
                while board.now < until:
                    board.run_to(min(until, board.now + 37 * CYCLES_PER_MS))
                    self.renew()
            case ("frame", output, kind):
                tick, _ = board.clock()
                at = {"far": tick + 600_000, "late": tick - 60_000}.get(kind, tick + 9000)
                message = board.voices(min(output, 3), now=tick, at=at)
                if kind == "stale":
                    message = replace(message, number=(message.number - 9) & 0xFFFF)
                if kind == "expired":
                    message = replace(message, expiry=(tick + 600_000) & 0xFFFF_FFFF)
                board.send(message)
            case ("bytes", data):
                board.bytes_at(board.now, data + b"\0")
            case ("low", us):
                board.run_for(CYCLES_PER_MS)  # the line is free
                board.low_at(board.now, us * CYCLES_PER_US)
                board.run_for(us * CYCLES_PER_US + 2 * BYTE_CYCLES)
                board.bytes_at(board.now, b"\0")  # else the next frame were the spoiled one
            case ("say", message):
                board.send(message)
            case ("pin", pin):
                rest = 1 if pin == ESTOP_B else 0
                board.pin_at(board.now, pin, 1 - rest)
                board.run_for(2 * CYCLES_PER_MS)
                board.pin_at(board.now, pin, rest)
            case ("wrong session",):
                board.session ^= 1
                self.now(0, ())
            case ("lapse",):
                board.run_for(260 * CYCLES_PER_MS)
            case other:
                raise AssertionError(other)
        board.run_for(4 * CYCLES_PER_MS)  # all is on the board

    def back(self) -> None:
        """To armed, if a stop came."""
        board = self.board
        board.collect()
        status = board.status()
        if status.state != State.ARMED:
            board.run_for(110 * CYCLES_PER_MS)
            if status.state == State.TRIPPED:
                board.reset_trip()
            board.arm(*(OutputLimits(n, *one) for n, one in enumerate(LIMITS)))
            self.newest, self.queued = [(), (), ()], []
        self.renew()
