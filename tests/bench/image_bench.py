"""The real image on the bench: built once, commissioned, and driven by frames of the wire.

``ImageBench`` is a bench with a board of ours; its methods speak in messages. Cycles are the
bench's (16 a microsecond); ticks are the board's own, 8 cycles each, counted by the program
from when it set up its clock.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    PING_WANTS_NONCE,
    Arm,
    Armed,
    ControllerMessage,
    HostMessage,
    Identity,
    Limits,
    LimitsSet,
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
from tests.bench.bench import (
    BYTE_CYCLES,
    CYCLES_PER_MS,
    CYCLES_PER_TICK,
    CYCLES_PER_US,
    Bench,
)
from tests.bench.image_build import (
    BOARD_ID,
    CEILINGS,
    COMMISSION,
    ENABLE,
    ESTOP_A,
    ESTOP_B,
    KEY,
    LOCAL_STOP,
    OUTPUT_PINS,
    READY,
    commissioned,
    image,
    slot,
)

MS_TICKS = 2000
LEASE_TICKS = 480_000
M32 = 0xFFFF_FFFF
M = TypeVar("M", bound=ControllerMessage)


class ImageBench(Bench):
    """A board with the image in it. Inputs: closed, on, at rest; ready inputs not fitted."""

    def __init__(
        self,
        *,
        eeprom: bytes | None = None,
        fuses: Mapping[str, int] | None = None,
        elf: Path | None = None,
        inputs: Mapping[str, int] | None = None,
        **more: Any,
    ) -> None:
        super().__init__(
            image() if elf is None else elf,
            eeprom=commissioned() if eeprom is None else eeprom,
            fuses=fuses,
            startup_cycles=100,
            **more,
        )
        self.number = [0, 0, 0, 0]
        self.sequence = 0
        self.session = 0
        self._reader = FrameReader()
        self.messages: list[tuple[int, ControllerMessage]] = []
        levels = {ESTOP_A: 0, ESTOP_B: 1, KEY: 0, LOCAL_STOP: 0, **(inputs or {})}
        for pin, level in levels.items():
            self.pin_at(0, pin, level)

    # -- frames ------------------------------------------------------------

    def collect(self) -> list[ControllerMessage]:
        """Messages received since the last time."""
        fresh: list[ControllerMessage] = []
        for one in self.sent(take=True):
            for frame in self._reader.feed(bytes([one.byte])):
                message = parse_controller_message(frame.type_code, frame.payload)
                self.messages.append((one.end_cycle, message))
                fresh.append(message)
        return fresh

    def send(self, message: HostMessage, at: int | None = None) -> int:
        """Puts a frame on the line; returns the cycle at which its last byte has arrived."""
        wire = encode_frame(message.TYPE, self.sequence, message.payload())
        self.sequence = (self.sequence + 1) & 0xFF
        return self.bytes_at(self.now if at is None else at, wire)

    def ask(self, message: HostMessage, kind: type[M]) -> M:
        """Sends, and runs until an answer of this kind comes (30 ms at most)."""
        self.collect()
        end = self.send(message)
        self.run_to(end)
        for _ in range(300):
            for answer in self.collect():
                if isinstance(answer, kind):
                    return answer
                if isinstance(answer, Refusal) and answer.type_code == message.TYPE:
                    raise AssertionError(f"{message} was refused: {answer}")
            self.run_for(CYCLES_PER_MS // 10)
        raise AssertionError(f"{message}: no {kind.__name__}")

    def status(self) -> Status:
        """The next status, at most 60 ms away."""
        self.collect()
        for _ in range(60):
            self.run_for(CYCLES_PER_MS)
            for answer in reversed(self.collect()):
                if isinstance(answer, Status):
                    return answer
        raise AssertionError("no status")

    # -- the way to armed ------------------------------------------------------------

    def started(self) -> ImageBench:
        """Runs until the program's first status has been sent."""
        for _ in range(4000):
            self.run_for(CYCLES_PER_MS // 4)
            if any(isinstance(m, Status) for m in self.collect()):
                return self
        raise AssertionError("the program does not start")

    def leave_commissioning(self) -> None:
        """The jumper taken off and a reset: the program runs, with what the board keeps."""
        self.pin_at(self.now, COMMISSION, 1)
        self.reset_at(self.now, "external")
        self.run_for(CYCLES_PER_MS)
        self.sent(take=True)
        self.started()

    def prove(self) -> None:
        """The proof test of both e-stop inputs."""
        for cycle, (a, b) in ((self.now, (1, 0)), (self.now + 16_000, (0, 1))):
            self.pin_at(cycle, ESTOP_A, a)
            self.pin_at(cycle, ESTOP_B, b)
        self.run_for(102 * CYCLES_PER_MS)

    def tick(self) -> int:
        """The board's tick now, of a pong just asked for."""
        return self.ask(Ping(1), Pong).received_at

    def nonce(self) -> int:
        return self.ask(Ping(1, PING_WANTS_NONCE), Pong).nonce

    def set_limits(self, *limits: OutputLimits) -> int:
        """Sets them; returns the digest."""
        digest = 0
        for one in limits or tuple(OutputLimits(n, *CEILINGS) for n in range(4)):
            digest = self.ask(Limits(one), LimitsSet).digest
        return digest

    def arm(self, *limits: OutputLimits) -> Armed:
        """From locked, after `prove`, to armed."""
        digest = self.set_limits(*limits)
        answer = self.ask(Arm(self.nonce(), digest), Armed)
        self.session = answer.session
        self.number = [0, 0, 0, 0]
        return answer

    def armed(self, *limits: OutputLimits) -> ImageBench:
        """From power-on to armed."""
        self.started()
        self.prove()
        self.arm(*limits)
        return self

    def reset_trip(self) -> Status:
        """Clears the trip that the newest status tells of."""
        number = self.status().trip_number
        return self.ask(Reset(number, self.nonce()), Status)

    def voices(
        self,
        output: int,
        *slots: Slot | None,
        now: int,
        at: int | None = None,
        lease: int = LEASE_TICKS,
    ) -> Voices:
        """The next voices frame of an output; `now`: about the board's tick when it arrives."""
        self.number[output] += 1
        flags = FLAG_IMMEDIATE if at is None else 0
        apply_at = now if at is None else at
        return Voices(
            self.session,
            output,
            self.number[output],
            flags,
            apply_at & M32,
            (now + lease) & M32,
            slots,
        )

    def play(self, **by_output: tuple[Slot | None, ...]) -> None:
        """Immediate frames for outputs o0 to o3; every other output with limits: silence."""
        for output in range(4):
            self.sound(output, *by_output.get(f"o{output}", ()))

    def sound(self, output: int, *slots: Slot | None) -> int:
        """One immediate frame; returns when its last byte arrives. Other outputs' leases run on."""
        tick, cycle = self.clock()
        return self.send(
            self.voices(output, *slots, now=tick + (self.now - cycle) // CYCLES_PER_TICK)
        )

    def clock(self) -> tuple[int, int]:
        """(tick, cycle) of the same moment, exactly: read from the program's counters."""
        low = self.read(0x46)  # TCNT0
        middle = self.read(0x3E)  # GPIOR0
        high = self.peek_int("ticks_upper", 2)
        if self.read(0x35) & 1 and low < 0x80:  # an overflow not yet counted
            middle += 1
        return ((high << 16) + (middle << 8) + low) & M32, self.now

    def cycle_of(self, tick: int) -> int:
        """The very cycle at which a tick begins. Runs on for some 200 cycles, to see it: a tick's
        begin is seen where an instruction ends in it, so each is looked at."""
        seen: list[tuple[int, int]] = []
        for _ in range(120):
            now_tick, now_cycle = self.clock()
            seen.append((now_tick, now_cycle))
            self.run_for(1)
        # the clock turned between two samples: all of them leave one place within a tick, or two
        latest = min(cycle - now_tick * CYCLES_PER_TICK for now_tick, cycle in seen)
        base_tick = seen[0][0]
        return latest + (base_tick + (tick - base_tick + 2**31) % 2**32 - 2**31) * CYCLES_PER_TICK

    # -- snapshots ------------------------------------------------------------

    def keep(self) -> tuple[str, dict[str, Any]]:
        """The board and all that this object knows of it, for `back_to`."""
        self.collect()
        mine = {name: copy.deepcopy(getattr(self, name)) for name in KEPT}
        return self.save(), mine

    def back_to(self, kept: tuple[str, dict[str, Any]]) -> None:
        state, mine = kept
        self.restore(state)
        for name, value in mine.items():
            setattr(self, name, copy.deepcopy(value))

    # -- what came of it ------------------------------------------------------------

    def newest_status(self) -> Status:
        """The newest status that was sent."""
        self.collect()
        return next(m for _, m in reversed(self.messages) if isinstance(m, Status))

    def last_fall(self, after: int) -> int | None:
        """The cycle of an output's last fall after `after`, if there was one; all are low now."""
        assert [self.level(pin) for pin in OUTPUT_PINS] == [0, 0, 0, 0]
        falls = [e.cycle for e in self.edges() if e.pin in OUTPUT_PINS and e.cycle > after]
        return max(falls, default=None)

    def last_edge(self, pin: str) -> int:
        """The cycle of the newest change of a pin."""
        return max((e.cycle for e in self.edges() if e.pin == pin), default=0)


KEPT = ("number", "sequence", "session", "_reader", "messages")


__all__ = [
    "BOARD_ID",
    "BYTE_CYCLES",
    "CEILINGS",
    "COMMISSION",
    "CYCLES_PER_MS",
    "CYCLES_PER_TICK",
    "CYCLES_PER_US",
    "ENABLE",
    "ESTOP_A",
    "ESTOP_B",
    "KEY",
    "LOCAL_STOP",
    "OUTPUT_PINS",
    "READY",
    "Identity",
    "ImageBench",
    "commissioned",
    "image",
    "slot",
]
