"""Two controllers side by side, told the same: the Python model and the C core.

Whatever happens, happens to both at the same tick; `settle` then demands the same frames at the
same ticks, the same pulses, and the same memory. Operations are plain tuples, so that
hypothesis can shrink a difference to the few that make it.
"""

from __future__ import annotations

from typing import Any

from bridge.link.simulated_controller import BoardMemory, BoardSettings, Pulse, SimulatedController
from firmware_protocol.catalogue import ResetCause, State
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    PING_WANTS_NONCE,
    Arm,
    HostMessage,
    Limits,
    OutputLimits,
    Ping,
    Pong,
    Reset,
    Slot,
    Voices,
)

from .core import CoreBoard

MS = 2000
M32 = 0xFFFF_FFFF


class Pair:
    """Both boards, and the host's own memory of numbers, nonces and limits."""

    def __init__(self, settings: BoardSettings, memory: BoardMemory, **port: Any) -> None:
        power_on = port.pop("power_on", ResetCause.POWER_ON)
        kept = (memory.state, memory.cause, memory.trip_number, memory.boot_id)
        self.model = SimulatedController(settings, BoardMemory(*kept), power_on=power_on)
        self.core = CoreBoard(settings, BoardMemory(*kept), power_on=power_on, **port)
        self.tick = settings.first_tick
        self.number = 0
        self.nonce = 0
        self.pulses: list[Pulse] = []
        self.said: list[tuple[int, bytes]] = []

    # -- the same for both ----------------------------------------------------------------------

    def both(self, what: str, *arguments: Any, **named: Any) -> None:
        for board in (self.model, self.core):
            getattr(board, what)(self.tick, *arguments, **named)

    def settle(self) -> None:
        """Both must have said and done the same since the last time."""
        said = self.model.take_output()
        assert self.core.take_output() == said
        done, core_done = self.model.take_pulses(), self.core.take_pulses()
        order = lambda p: (p.start_tick, p.output)  # noqa: E731
        assert sorted(core_done, key=order) == sorted(done, key=order)
        assert self.core.memory == self.model.memory
        assert self.core.session == self.model.session
        assert [self.core.is_lit(n) for n in range(4)] == [self.model.is_lit(n) for n in range(4)]
        assert self.core.broken_offers == 0
        self.pulses += done
        self.said += said
        for _, data in said:
            for frame in FrameReader().feed(data):
                if frame.type_code == Pong.TYPE:
                    self.nonce = Pong.parse(frame.payload).nonce or self.nonce

    def advance(self, ticks: int) -> None:
        self.tick += ticks
        self.both("advance")
        self.settle()

    def send(self, message: HostMessage) -> None:
        self.wire(encode_frame(message.TYPE, self.number & 0xFF, message.payload()))

    def wire(self, data: bytes) -> None:
        self.both("receive", data)
        self.settle()

    # -- a host's acts ---------------------------------------------------------------------------

    def ask_nonce(self) -> int:
        self.send(Ping(7, PING_WANTS_NONCE))
        return self.nonce

    def arm(self) -> None:
        self.send(Arm(self.ask_nonce(), self.model.digest()))

    def recover(self) -> None:
        """By whatever way: to armed, with limits for outputs 0 and 3 if there are none."""
        self.both("line_idle")
        self.both("set_inputs", estop_a=False, estop_b=False)
        self.tick += MS
        levels = {"estop_a": True, "estop_b": True, "key": True, "local_stop": False}
        self.both("set_inputs", **levels, ready=dict.fromkeys(range(4), True), pin_mismatch=False)
        self.advance(100 * MS)
        if self.model.state == State.TRIPPED:
            self.send(Reset(self.model.trip_number, self.ask_nonce()))
        if self.model.state == State.LOCKED:
            if not self.model.limits_in_force():
                self.send(Limits(OutputLimits(0, 400, 200, 2000, 240_000)))
                self.send(Limits(OutputLimits(3, 400, 300, 600, 80_000, 0, 0, 20, 4000)))
            self.arm()

    def voices(
        self,
        output: int,
        slots: tuple[Slot | None, ...],
        ahead: int,
        flags: int,
        lease: int,
        *others: int,
    ) -> Voices:
        """A voices frame for `ahead` ticks from now; others: its number comes so many after the
        last (1), and whether its session is wrong (0)."""
        step, wrong_session = (*others, *(1, 0)[len(others) :])
        self.number = (self.number + step) & 0xFFFF
        now = self.model.wire_tick + self.tick - self.model.tick
        session = self.model.session ^ (1 if wrong_session else 0)
        return Voices(
            session, output, self.number, flags, (now + ahead) & M32, (now + lease) & M32, slots
        )

    def do(self, operation: tuple[Any, ...]) -> None:
        """One operation of `operations` in test_differential.py."""
        match operation:
            case ("voices", *fields):
                self.send(self.voices(*fields))
            case ("voices in two", cut, wait, *fields):
                message = self.voices(*fields)
                wire = encode_frame(message.TYPE, 0, message.payload())
                self.wire(wire[:cut])
                self.tick += wait
                self.wire(wire[cut:])
            case ("advance", ticks):
                self.advance(ticks)
            case ("hold", output, slots, ticks):
                for number in (0, 3):  # the other one must not expire
                    mine = slots if number == output else ()
                    self.send(self.voices(number, mine, 0, FLAG_IMMEDIATE, 500_000))
                self.advance(ticks)
            case ("line_error at", wait):
                self.tick += wait
                self.both("line_error")
            case ("limits", output, fields):
                self.send(Limits(OutputLimits(output, *fields)))
            case ("arm", nonce_off, digest_off):
                nonce = self.ask_nonce()
                self.send(Arm(nonce ^ nonce_off, self.model.digest() ^ digest_off))
            case ("arm again",):
                self.send(Arm(self.nonce, self.model.digest()))
            case ("reset", number_off, nonce_off):
                nonce = self.ask_nonce()
                number = (self.model.trip_number + number_off) & 0xFFFF
                self.send(Reset(number, nonce ^ nonce_off))
            case ("message", message):
                self.send(message)
            case ("bytes", data):
                self.wire(data)
            case ("inputs", levels):
                self.both("set_inputs", **levels)
            case ("restart", cause):
                self.both("reset", cause)
            case ("recover",):
                self.recover()
            case (what,):
                self.both(what)
            case other:
                raise AssertionError(other)
        self.settle()
