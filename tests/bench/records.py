"""What a bench records of a board's pins and line, and the units of its time: CPU cycles."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

CLOCK_HZ = 16_000_000
CYCLES_PER_US = 16
CYCLES_PER_MS = 16_000
CYCLES_PER_TICK = 8
BYTE_CYCLES = 320  # 10 bits at 500 kbaud
OUTPUT_PINS = ("PB6", "PE4", "PH4", "PL4")  # OC1B, OC3B, OC4B, OC5B: outputs 0 to 3


class BenchError(Exception):
    """The bench refused a command, or could not be set up."""


class Edge(NamedTuple):
    """A pin's level became `level` at `cycle`."""

    cycle: int
    pin: str
    level: int


class Sent(NamedTuple):
    """The board sent `byte`: start bit's fall and stop bit's end."""

    start_cycle: int
    byte: int
    end_cycle: int


class Pulse(NamedTuple):
    """An output was high for `on_cycles`; None: it still is."""

    output: int
    start_cycle: int
    on_cycles: int | None


class Entry(NamedTuple):
    """A traced function was entered: registers 0 to 25, bytes at its pointer, addresses read."""

    cycle: int
    name: str
    registers: list[int]
    bytes_: list[int]
    read: list[int]


def pulses_of(edges: Iterable[Edge]) -> list[Pulse]:
    """Pulses on the four outputs, by start. Raises: BenchError for a fall without its rise."""
    found: list[Pulse] = []
    began: dict[str, int] = {}
    for cycle, pin, level in edges:
        if pin not in OUTPUT_PINS:
            continue
        if level:
            began[pin] = cycle
        elif pin not in began:
            raise BenchError(f"{pin} fell at {cycle}, its rise is not there: taken earlier?")
        else:
            start = began.pop(pin)
            found.append(Pulse(OUTPUT_PINS.index(pin), start, cycle - start))
    found += [Pulse(OUTPUT_PINS.index(pin), start, None) for pin, start in began.items()]
    return sorted(found, key=lambda pulse: pulse.start_cycle)
