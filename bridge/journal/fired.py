"""The pulses of a night, worked out from the frames that were sent. Pure.

What came back says how many pulses there were (20 times a second), not which. So each voices frame
goes through the same scheduler and guard as on the simulated controller, in the board's own ticks
by the clock as the host knew it that night; what the board itself counted is set beside it.
Frames that were lost on the way count here as arrived.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field

from bridge.config import Config
from bridge.governor.limits import guard_limits
from bridge.journal.values import ClockFix, Event
from bridge.journal.wire import FromBoard, ToBoard, WireReader
from bridge.link.simulated_scheduler import OutputScheduler
from bridge.link.simulated_settings import FOREVER
from firmware_protocol.catalogue import GuardReason
from firmware_protocol.catalogue import State as BoardState
from firmware_protocol.messages import (
    COMPILED_CEILINGS,
    FLAG_FORGET_LATER,
    FLAG_IMMEDIATE,
    MAX_SLOTS,
    TICK_HZ,
    Disarm,
    Identity,
    OutputStatus,
    Status,
    Stop,
    Voices,
    ticks_between,
)

_WIRE = 0xFFFF_FFFF
FOREIGN_TICKS = TICK_HZ
"""So far a clock of the same program never is from what was reckoned, late reads included."""
OnPulse = Callable[[str, float, float], None]
"""Coil, start in host seconds, on-time in µs."""


@dataclass(slots=True)
class Counted:
    """What a board itself counted on one coil."""

    pulses: int = 0
    collisions_dropped: int = 0
    guard_refusals: int = 0
    refused_for: list[int] = field(default_factory=lambda: [0] * (len(GuardReason) - 1))
    """Of these for each of the guard's reasons, reason 1 first."""


@dataclass(slots=True)
class _Coil:
    name: str
    output: OutputScheduler
    expiry: int = FOREVER


@dataclass(slots=True)
class _Board:
    baud: int
    coils: dict[int, _Coil]
    fix: ClockFix | None = None
    tick: int = 0
    """Extended: it goes on over wraps and restarts, so that the scheduler's time never falls."""
    wire_tick: int = 0
    """The same moment as the board counts it."""
    at_s: float = 0.0
    boot_id: int | None = None
    last: dict[int, OutputStatus] = field(default_factory=dict[int, OutputStatus])


class FiredPulses:
    """Fed with every event in order; `on_pulse` gets every pulse once it has ended."""

    def __init__(self, config: Config, on_pulse: OnPulse) -> None:
        self.counted: dict[str, Counted] = defaultdict(Counted)
        self._on_pulse = on_pulse
        self._wire = WireReader()
        self._boards: dict[str, _Board] = {}
        for controller in config.controller:
            coils: dict[int, _Coil] = {}
            for coil in config.coil:
                if coil.controller == controller.name:
                    output = OutputScheduler(coil.output - 1, COMPILED_CEILINGS, 0, MAX_SLOTS)
                    output.guard.set_limits(guard_limits(coil))
                    coils[coil.output - 1] = _Coil(coil.name, output)
            self._boards[controller.name] = _Board(controller.baud, coils)

    def take(self, event: Event) -> None:
        if isinstance(event, ClockFix):
            self._fixed(self._boards[event.controller], event)
        for message in self._wire.take(event):
            board = self._boards.get(message.controller)
            if board is None:
                continue
            if isinstance(message, ToBoard):
                self._to_board(board, message)
            else:
                self._from_board(board, message)

    def end(self, at_s: float) -> None:
        """Nothing was sent after this."""
        for board in self._boards.values():
            self._live_to(board, self._tick(board, at_s))

    # -- the board's time ---------------------------------------------------------------------

    def _fixed(self, board: _Board, fix: ClockFix) -> None:
        tick = self._tick(board, fix.at_s)
        if board.fix is None:
            board.wire_tick = fix.tick
        else:
            # The new fix says where the board is; by how much that differs is taken in quietly.
            tick += ticks_between(fix.tick, board.wire_tick + (tick - board.tick) & _WIRE)
        board.tick = max(board.tick, tick)
        board.wire_tick, board.at_s, board.fix = fix.tick, fix.at_s, fix

    def _tick(self, board: _Board, at_s: float) -> int:
        rate = TICK_HZ if board.fix is None else board.fix.rate_hz
        return board.tick + max(0, round((at_s - board.at_s) * rate))

    def _extended(self, board: _Board, wire_tick: int) -> int:
        return board.tick + ticks_between(wire_tick, board.wire_tick)

    def _seconds(self, board: _Board, tick: int) -> float:
        rate = TICK_HZ if board.fix is None else board.fix.rate_hz
        return board.at_s + (tick - board.tick) / rate

    # -- what it was told ---------------------------------------------------------------------

    def _to_board(self, board: _Board, sent: ToBoard) -> None:
        arrives_s = sent.at_s + sent.wire_bytes * 10 / board.baud
        tick = self._tick(board, arrives_s)
        self._live_to(board, tick)
        message = sent.message
        if isinstance(message, Stop | Disarm):
            self._dark(board, tick)
        if not isinstance(message, Voices) or (coil := board.coils.get(message.output)) is None:
            return
        coil.expiry = self._extended(board, message.expiry)
        at = tick if message.flags & FLAG_IMMEDIATE else self._extended(board, message.apply_at)
        if message.flags & FLAG_FORGET_LATER:
            coil.output.forget_later(at)
        if at <= tick:
            coil.output.apply(tick, message.slots)
        else:
            coil.output.enqueue(at, message.slots)

    def _from_board(self, board: _Board, heard: FromBoard) -> None:
        message = heard.message
        if isinstance(message, Identity) and message.boot_id != board.boot_id:
            board.boot_id = message.boot_id
            board.last.clear()
        if not isinstance(message, Status):
            return
        if self._has_restarted(board, message.now, heard.at_s):
            board.last.clear()
        for number, coil in board.coils.items():
            if number >= len(message.per_output):
                continue
            output = message.per_output[number]
            before = board.last.get(number, output)
            board.last[number] = output
            counted = self.counted[coil.name]
            counted.pulses += (output.pulses - before.pulses) & 0xFFFF
            dropped = output.collisions_dropped - before.collisions_dropped
            counted.collisions_dropped += dropped & 0xFFFF
            counted.guard_refusals += (output.guard_refusals - before.guard_refusals) & 0xFFFF
            for i, (n, m) in enumerate(zip(output.refused_for, before.refused_for, strict=True)):
                counted.refused_for[i] += (n - m) & 0xFF
        if message.state not in (BoardState.ARMED, BoardState.WARNING):
            tick = self._tick(board, heard.at_s)
            self._live_to(board, tick)
            self._dark(board, tick)

    @staticmethod
    def _has_restarted(board: _Board, wire_tick: int, at_s: float) -> bool:
        """Its first status comes before its identity: its ticks have begun anew."""
        if board.fix is None:
            return False
        expected = board.wire_tick + round((at_s - board.at_s) * board.fix.rate_hz)
        return abs(ticks_between(wire_tick, expected & _WIRE)) > FOREIGN_TICKS

    def _dark(self, board: _Board, tick: int) -> None:
        for coil in board.coils.values():
            coil.output.go_dark(tick)
            coil.expiry = FOREVER
            self._take(board, coil, tick)

    def _live_to(self, board: _Board, tick: int) -> None:
        for coil in board.coils.values():
            output = coil.output
            while True:
                queued = output.queue[0].apply_at if output.queue else FOREVER
                due = min(output.next_tick, queued, coil.expiry)
                if due > tick:
                    break
                if due == coil.expiry:  # the lease ended: dark, and a trip that status will tell
                    output.go_dark(due)
                    coil.expiry = FOREVER
                elif due == queued:
                    output.apply_due(due)
                else:
                    output.decide(due)
            self._take(board, coil, tick)

    def _take(self, board: _Board, coil: _Coil, tick: int) -> None:
        for pulse in coil.output.take_pulses(tick):
            start_s = self._seconds(board, pulse.start_tick)
            self._on_pulse(coil.name, start_s, pulse.on_ticks / TICK_HZ * 1e6)
