"""What the image's core was told, and when: its entries, traced, from reset to reset."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from bridge.link.simulated_settings import BoardMemory
from firmware_protocol.catalogue import Cause, State
from tests.bench.bench import CYCLES_PER_TICK, Entry
from tests.bench.image_bench import M32, ImageBench
from tests.firmware.core import ORDINARY_LEVELS

TICK_REGISTERS: tuple[int | str, ...] = (0x46, 0x35, 0x3E, "ticks_upper", "ticks_upper+1")
"""TCNT0, TIFR0, GPIOR0, and the clock's upper half."""
MEMORY_BYTES = 8
TRACED = {
    "core_start": {"pointer": 20, "length": MEMORY_BYTES},
    "core_bytes": {"pointer": 18, "count": 16},
    "core_line_error": {},
    "core_line_break": {},
    "core_line_idle": {},
    "core_inputs": {},
    "core_pin_mismatch": {},
    "core_fault": {},
}
"""Arguments, as avr-gcc passes them: core in r25:24, now in r23:20, then r19:18, r17:16, r15:14."""


class Told(NamedTuple):
    """What the program's core was told, at a tick of its own."""

    tick: int
    name: str
    value: int
    bytes_: bytes


@dataclass
class Program:
    """From one start of the program to the next."""

    memory: BoardMemory
    first_tick: int
    told: list[Told] = field(default_factory=list)
    from_cycle: int = 0
    base_cycle: int = 1 << 62
    """The cycle at which `first_tick` began, as nearly as was seen."""

    def tick_at(self, cycle: int) -> int:
        """Extended, from `first_tick` on."""
        return self.first_tick + (cycle - self.base_cycle) // CYCLES_PER_TICK


def start_tracing(board: ImageBench) -> None:
    board.trace(TRACED, TICK_REGISTERS)


def programs_of(entries: list[Entry]) -> list[Program]:
    """The traced entries, by program."""
    found: list[Program] = []
    for cycle, name, registers, data, read in entries:
        if name == "core_start":
            now = int.from_bytes(bytes(registers[14:18]), "little")
            boot = int.from_bytes(bytes(data[0:4]), "little")
            number = int.from_bytes(bytes(data[4:6]), "little")
            kept = BoardMemory(State(data[6]), Cause(data[7]), number, boot)
            assert registers[18] == ORDINARY_LEVELS, hex(registers[18])
            found.append(Program(kept, now, from_cycle=cycle))
        else:
            now = int.from_bytes(bytes(registers[20:24]), "little")
            found[-1].told.append(Told(now, name, registers[18], bytes(data)))
        low, flags, middle, upper, highest = read
        if flags & 1 and low < 0x80:
            middle += 1
        tick = (highest << 24) + (upper << 16) + (middle << 8) + low
        passed = (tick - found[-1].first_tick) & M32
        base = cycle - passed * CYCLES_PER_TICK
        # the start itself takes longer than the clock can count without its interrupt
        old = found[-1].base_cycle if len(found[-1].told) > 1 else base
        found[-1].base_cycle = min(old, base)
    return found
