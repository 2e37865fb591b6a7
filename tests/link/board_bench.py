"""A bench for the simulated controller: frames and inputs at ticks, decoded answers, a record.

The record (`steps`) is the script format of `firmware_protocol/vectors/trains.json`.
"""

from __future__ import annotations

from typing import Any

from bridge.link.simulated_controller import BoardMemory, BoardSettings, Pulse, SimulatedController
from firmware_protocol.catalogue import Reason, ResetCause
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    PING_WANTS_NONCE,
    Arm,
    ControllerMessage,
    HostMessage,
    Limits,
    OutputLimits,
    Ping,
    Pong,
    Refusal,
    Reset,
    Slot,
    Status,
    Voices,
    parse_controller_message,
)

BOARD = BoardSettings(board_id=0x00C0FFEE)
MS = 2000
"""Ticks in a millisecond."""
LEASE = 400_000
"""200 ms: the expiry the bench gives its frames."""
LIMITS = OutputLimits(0, 400, 200, 2000, 240_000)
M32 = 0xFFFF_FFFF


def slot(
    period_ticks: float,
    on_ticks: int = 100,
    *,
    start: int = 1,
    bangs: int = 0,
    spread: int = 0,
    phase: int = 0,
    step: int = 0,
) -> Slot:
    """A slot with its period in ticks."""
    return Slot(start, bangs, spread, phase, on_ticks, step, round(period_ticks * 256))


class Bench:
    """Drives one controller. Every method acts at `self.tick`."""

    def __init__(
        self,
        settings: BoardSettings = BOARD,
        memory: BoardMemory | None = None,
        power_on: ResetCause = ResetCause.POWER_ON,
    ) -> None:
        self.memory = memory if memory is not None else BoardMemory()
        self.board = SimulatedController(settings, self.memory, power_on=power_on)
        self.tick = settings.first_tick
        self.steps: list[dict[str, Any]] = []
        self.sent: list[tuple[int, bytes]] = []
        self.pulses: list[Pulse] = []
        self.byte_ticks = 0
        """What a byte takes on the line: 40 ticks at 500 kbaud, or no time at all."""
        self.number = 0
        self.sequence = 0
        self._reader = FrameReader()

    # -- time ----------------------------------------------------------------------------------

    def advance_to(self, tick: int) -> list[ControllerMessage]:
        """Lives on to the end of `tick`; what the board said meanwhile."""
        self.tick = tick
        self.board.advance(tick)
        self.steps.append({"tick": tick, "do": "advance"})
        return self.collect()

    def advance(self, ticks: int) -> list[ControllerMessage]:
        return self.advance_to(self.tick + ticks)

    def at(self, tick: int) -> Bench:
        """Moves to `tick`, whose own events are still to come."""
        assert tick >= self.tick
        self.tick = tick
        return self

    def collect(self) -> list[ControllerMessage]:
        self.pulses += self.board.take_pulses()
        messages: list[ControllerMessage] = []
        for tick, data in self.board.take_output():
            self.sent.append((tick, data))
            for frame in self._reader.feed(data):
                messages.append(parse_controller_message(frame.type_code, frame.payload))
        return messages

    # -- frames --------------------------------------------------------------------------------

    def send(self, message: HostMessage) -> list[ControllerMessage]:
        """One frame at the present tick; its answers (a status comes at the tick's end)."""
        return self.send_raw(encode_frame(message.TYPE, self.sequence, message.payload()))

    def send_raw(self, wire: bytes) -> list[ControllerMessage]:
        self.sequence = (self.sequence + 1) & 0xFF
        self.tick += self.byte_ticks * len(wire)
        self.board.receive(self.tick, wire)
        self.steps.append({"tick": self.tick, "do": "bytes", "hex": wire.hex()})
        return self.collect()

    def refused(self, message: HostMessage) -> Reason:
        """Sends a frame that must be refused, and answers with the reason."""
        answers = self.send(message)
        assert len(answers) == 1, answers
        refusal = answers[0]
        assert isinstance(refusal, Refusal)
        assert refusal.type_code == message.TYPE
        return Reason(refusal.reason)

    def inputs(self, **levels: Any) -> None:
        self.board.set_inputs(self.tick, **levels)
        self.steps.append({"tick": self.tick, "do": "inputs", **levels})

    def line_error(self) -> None:
        self.board.line_error(self.tick)
        self.steps.append({"tick": self.tick, "do": "line_error"})

    def line_break(self) -> None:
        self.board.line_break(self.tick)
        self.steps.append({"tick": self.tick, "do": "break"})

    def line_idle(self) -> None:
        self.board.line_idle(self.tick)
        self.steps.append({"tick": self.tick, "do": "idle"})

    def restart(self, cause: ResetCause) -> None:
        self.board.reset(self.tick, cause)
        self.steps.append({"tick": self.tick, "do": "reset", "cause": int(cause)})

    # -- the way to armed ----------------------------------------------------------------------

    def prove(self) -> None:
        """The proof test, 1 ms open, 100 ms until closed counts."""
        self.inputs(estop_a=False, estop_b=False)
        self.at(self.tick + MS).inputs(estop_a=True, estop_b=True)
        self.advance(100 * MS)

    def nonce(self) -> int:
        (pong,) = [m for m in self.send(Ping(7, PING_WANTS_NONCE)) if isinstance(m, Pong)]
        return pong.nonce

    def arm(self) -> list[ControllerMessage]:
        return self.send(Arm(self.nonce(), self.board.digest()))

    def reset_trip(self) -> None:
        answers = self.send(Reset(self.board.trip_number, self.nonce()))
        assert not [m for m in answers if isinstance(m, Refusal)]

    def armed(self, *limits: OutputLimits) -> Bench:
        """From power-up to armed, with limits for output 0 unless others are given."""
        self.prove()
        for one in limits or (LIMITS,):
            self.send(Limits(one))
        self.arm()
        self.number = 0
        return self

    def frame(
        self,
        *slots: Slot | None,
        output: int = 0,
        at: int | None = None,
        flags: int | None = None,
        number: int | None = None,
        lease: int = LEASE,
        session: int | None = None,
    ) -> Voices:
        """A voices frame: immediate unless `at` (an extended tick) is given."""
        if number is None:
            self.number = (self.number + 1) & 0xFFFF
            number = self.number
        if flags is None:
            flags = FLAG_IMMEDIATE if at is None else 0
        offset = self.board.wire_tick - self.board.tick
        return Voices(
            self.board.session if session is None else session,
            output,
            number,
            flags,
            ((self.tick if at is None else at) + offset) & M32,
            (self.tick + offset + lease) & M32,
            slots,
        )

    def voices(self, *slots: Slot | None, **options: Any) -> list[ControllerMessage]:
        return self.send(self.frame(*slots, **options))

    def play_until(self, tick: int, *slots: Slot | None, output: int = 0) -> None:
        """Renews the same slots every 37 ms up to `tick`."""
        while True:
            self.voices(*slots, output=output)
            if self.tick + 37 * MS > tick:
                break
            self.at(self.tick + 37 * MS)
        self.advance_to(tick)

    # -- what came of it -----------------------------------------------------------------------

    def status(self) -> Status:
        return self.board.status()

    def starts(self, output: int = 0) -> list[int]:
        return [p.start_tick for p in self.pulses if p.output == output]
