"""Full load on the real image, measured: `python -m tests.bench.load` prints the table.

Four outputs of four voices at nearly the compiled ceilings; the line as full as `every_ms` says.
All in simulated time, to the cycle: 16 cycles are a microsecond, 8 a tick.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tests.bench.bench import (
    BYTE_CYCLES,
    CLOCK_HZ,
    CYCLES_PER_MS,
    CYCLES_PER_TICK,
    OUTPUT_PINS,
    Entry,
    Pulse,
)
from tests.bench.image_bench import CEILINGS, ImageBench, slot

ON_TICKS = 118
"""At 1,900 a second: 224,200 of the ceiling's 240,000 ticks in a second."""
FULL_RATES = (471.0, 473.0, 477.0, 479.0)
"""Hertz of the four voices: 1,900 a second of the ceiling's 2,000 for each output."""
START_REGISTER, ON_REGISTER, OUTPUT_REGISTER = 20, 18, 24
"""Of port_offer(output, start, on), as avr-gcc passes them."""


def drive(
    board: ImageBench, rates: tuple[float, ...], ms: float, every_ms: float, *, bend: bool = True
) -> int:
    """Frames for all four outputs, again every `every_ms` (0: without a pause), all periods moved
    each time; returns the cycle it ends at."""
    begin = at = board.now
    tick, cycle = board.clock()
    round_ = 0
    while at < begin + ms * CYCLES_PER_MS:
        for output in range(4):
            moved = (1 + 0.013 * output) * (1 + 0.001 * (round_ % 7 if bend else 0))
            slots = [slot(2e6 / (rate * moved), ON_TICKS) for rate in rates]
            now = tick + (at - cycle) // CYCLES_PER_TICK
            at = board.send(board.voices(output, *slots, now=now), at=at)
        round_ += 1
        at = max(at, begin + round(round_ * every_ms * CYCLES_PER_MS))
        board.run_to(at - 20 * BYTE_CYCLES)
    board.run_to(at)
    return board.now


def asked_per_s(rates: tuple[float, ...]) -> float:
    """Pulses a second that `drive` asks for in the mean, all outputs."""
    return sum(rates) * sum(1 + 0.013 * output for output in range(4)) * 1.003


@dataclass(frozen=True)
class Measured:
    """What one load did. Cycles unless named otherwise."""

    asked_per_s: float
    played_per_s: float
    dropped: int
    refused: int
    line_percent: float
    overruns: int
    bytes_lost: int
    start_offsets: tuple[int, int]
    """Least and most from the first cycle of the tick asked for to the pin's rise."""
    on_errors: tuple[int, int]
    """Least and most of the on-time at the pin beyond the one asked for."""
    services: dict[str, int]
    """Longest from an interrupt's entry to its return, those let in between included."""
    waits: dict[str, int]
    """Longest from an interrupt's flag to its entry."""
    off: dict[str, int]
    """Longest stretch with interrupts off, by what turned them off."""
    watchdog_gap: int
    pulses: list[Pulse]

    def lines(self) -> list[str]:
        """For people."""
        worst = max(self.services, key=lambda name: self.services[name])
        late = max(self.waits, key=lambda name: self.waits[name])
        off = max(self.off, key=lambda name: self.off[name])
        return [
            f"asked {self.asked_per_s:.0f}/s, played {self.played_per_s:.0f}/s, dropped "
            f"{self.dropped}, refused {self.refused}; line {self.line_percent:.0f} %, "
            f"overruns {self.overruns}, bytes lost {self.bytes_lost}",
            f"    starts after their tick {self.start_offsets}, on-times too long {self.on_errors}"
            f"; longest interrupt {self.services[worst]} ({worst}), longest wait "
            f"{self.waits[late]} ({late}), interrupts off {self.off[off]} ({off}), "
            f"watchdog gap {self.watchdog_gap}",
        ]


def measure(
    board: ImageBench, rates: tuple[float, ...], ms: float, every_ms: float, *, bend: bool = True
) -> Measured:
    """`board`: just armed, with the ceilings as limits and every output silent."""
    board.statistics(reset=True)
    before = board.statistics()["uarts"][0]["received"]
    base = board.cycle_of(0)
    board.trace({"port_offer": {}})
    begin = board.now
    end = drive(board, rates, ms, every_ms, bend=bend)
    statistics = board.statistics()
    uart = statistics["uarts"][0]
    offered = board.traced()
    board.trace(None)
    board.run_for(60 * CYCLES_PER_MS)  # a status with the counts, and the last pulse's end
    pulses = [p for p in board.pulses() if p.start_cycle >= begin]
    status = board.newest_status()
    vectors: dict[str, dict[str, Any]] = statistics["vectors"]
    played = [p for p in pulses if p.start_cycle < end]
    starts, ons = errors(played, offered, base)
    return Measured(
        asked_per_s=asked_per_s(rates),
        played_per_s=len(played) * CLOCK_HZ / (end - begin),
        dropped=sum(one.collisions_dropped for one in status.per_output),
        refused=sum(one.guard_refusals for one in status.per_output),
        line_percent=100 * (uart["received"] - before) * BYTE_CYCLES / (end - begin),
        overruns=uart["overruns"],
        bytes_lost=board.peek("uart_lost", 1)[0],
        start_offsets=(min(starts), max(starts)),
        on_errors=(min(ons), max(ons)),
        services={name: one["longest"] for name, one in vectors.items()},
        waits={name: one["longestWait"] for name, one in vectors.items()},
        off={what: one["cycles"] for what, one in statistics["off"].items()},
        watchdog_gap=statistics["longest_watchdog_gap"],
        pulses=pulses,
    )


def errors(pulses: list[Pulse], offered: list[Entry], base: int) -> tuple[list[int], list[int]]:
    """For each pulse: cycles after the tick that the core had asked for, and beyond its on-time.
    `base`: the cycle of tick 0."""
    starts: list[int] = []
    ons: list[int] = []
    by_output: list[list[tuple[int, int]]] = [[], [], [], []]
    for one in offered:
        start = int.from_bytes(bytes(one.registers[START_REGISTER : START_REGISTER + 4]), "little")
        on = int.from_bytes(bytes(one.registers[ON_REGISTER : ON_REGISTER + 2]), "little")
        by_output[one.registers[OUTPUT_REGISTER]].append((base + start * CYCLES_PER_TICK, on))
    for pulse in pulses:
        asked = by_output[pulse.output]
        # what was taken back and offered anew, a little moved, is further off
        due, on = min(asked, key=lambda a: abs(pulse.start_cycle - a[0]))
        starts.append(pulse.start_cycle - due)
        ons.append((pulse.on_cycles or 0) - on * CYCLES_PER_TICK)
    return starts, ons


LOADS: tuple[tuple[str, tuple[float, ...], float, bool], ...] = (
    ("97 to 107 Hz, every voice bent every 9 ms", (97.0, 101.0, 103.0, 107.0), 9.0, True),
    ("97 to 107 Hz, held", (97.0, 101.0, 103.0, 107.0), 37.0, False),
    ("194 to 214 Hz, held", (194.0, 202.0, 206.0, 214.0), 37.0, False),
    ("291 to 321 Hz, held", (291.0, 303.0, 309.0, 321.0), 37.0, False),
    ("471 to 479 Hz, held", FULL_RATES, 37.0, False),
    ("471 to 479 Hz, the line full, every voice bent in every frame", FULL_RATES, 0.0, True),
)


def main() -> None:
    """Prints every load: four outputs of four voices each, for 200 ms of simulated time."""
    with ImageBench() as board:
        board.armed()
        armed = board.keep()
        print(f"four outputs of four voices, {ON_TICKS} ticks each; ceilings {CEILINGS}; pins "
              f"{', '.join(OUTPUT_PINS)}; cycles of 62.5 ns", flush=True)  # fmt: skip
        for name, rates, every_ms, bend in LOADS:
            board.back_to(armed)
            print(name, *measure(board, rates, 200, every_ms, bend=bend).lines(), sep="\n    ")


if __name__ == "__main__":
    main()
