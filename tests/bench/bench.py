"""The bench: a simulated ATmega2560 that runs the real firmware image, driven from Python.

``with Bench(image) as b:`` starts a Node process (bench.mjs) with the board in it. Times are CPU
cycles, 16 a microsecond, 8 a tick. Nothing happens between calls: ``run_to`` alone moves time,
unless ``pace`` was called.

Pins are named as in the data sheet: ``"PB6"``. Pulses are those of OC1B, OC3B, OC4B and OC5B.
"""

from collections.abc import Sequence
from typing import Any

from tests.bench.build import HERE, MCU, build, missing_packages, prepare
from tests.bench.measures import Measures
from tests.bench.records import (
    BYTE_CYCLES,
    CLOCK_HZ,
    CYCLES_PER_MS,
    CYCLES_PER_TICK,
    CYCLES_PER_US,
    OUTPUT_PINS,
    BenchError,
    Edge,
    Entry,
    Pulse,
    Sent,
    pulses_of,
)

__all__ = [
    "BYTE_CYCLES",
    "CLOCK_HZ",
    "CYCLES_PER_MS",
    "CYCLES_PER_TICK",
    "CYCLES_PER_US",
    "HERE",
    "MCU",
    "OUTPUT_PINS",
    "Bench",
    "BenchError",
    "Edge",
    "Entry",
    "Pulse",
    "Sent",
    "build",
    "missing_packages",
    "prepare",
    "pulses_of",
]


class Bench(Measures):
    """A simulated board: time, its line, its pins, and faults planted in it."""

    # --- time ---

    def _run(self, until: int, **stop: Any) -> str:
        answer = self.call("run", until=until, stop=stop)
        self.now = answer["now"]
        return answer["stopped"]

    def run_to(self, cycle: int) -> int:
        """Runs until `cycle`, to the end of the instruction under way; returns the cycle then."""
        self._run(cycle)
        return self.now

    def run_for(self, cycles: int) -> int:
        """Like `run_to`, from now."""
        return self.run_to(self.now + cycles)

    def run_to_edge(
        self, pin: str, level: int, *, limit: int, after: int = 0, count: int = 1
    ) -> int | None:
        """Runs to the `count`-th time that `pin` becomes `level` at or after cycle `after`.

        Returns the cycle of the edge, None if it had not come at cycle `limit`. The board stands
        at the end of the instruction in which it came.
        """
        stopped = self._run(limit, pin=pin, level=level, after=after, count=count)
        if stopped != "pin":
            return None
        return next(e.cycle for e in reversed(self.edges()) if e.pin == pin and e.level == level)

    def run_to_vector(self, vector: str, *, limit: int) -> bool:
        """Runs to the entry of an interrupt (``"TIMER1_OVF"``); False: not before `limit`."""
        return self._run(limit, vector=vector) == "vector"

    def run_to_code(self, where: str | int, *, limit: int) -> bool:
        """Runs to a function by name or byte address; slower. False: not before `limit`."""
        return self._run(limit, pc=where) == "pc"

    def run_to_sent(self, count: int, *, limit: int) -> bool:
        """Runs until `count` more bytes are sent; False: not before `limit`."""
        return self._run(limit, sent=count) == "sent"

    def run_to_reset(self, *, limit: int) -> int | None:
        """Runs to the next reset; returns its cycle, None: not before `limit`."""
        if self._run(limit, reset=True) != "reset":
            return None
        return self.statistics()["resets"][-1][0]

    # --- the line ---

    def bytes_at(
        self,
        cycle: int,
        data: bytes,
        *,
        uart: int = 0,
        bit_cycles: float = 32.0,
        gap_cycles: float = 0.0,
    ) -> int:
        """Sends to the board, from `cycle` or when the sender is free. Returns the end cycle."""
        values = {"bit_cycles": bit_cycles, "gap_cycles": gap_cycles, "uart": uart}
        return self.call("bytes", at=cycle, data=list(data), **values)["end"]

    def low_at(self, cycle: int, cycles: int | None, *, uart: int = 0) -> None:
        """Holds the line low from `cycle` for `cycles` (None: for ever), whatever else is on it."""
        self.call("low", at=cycle, cycles=cycles, uart=uart)

    def noise_at(self, spans: Sequence[tuple[int, int]], *, uart: int = 0) -> None:
        """Turns the line over from the first to the second cycle of each span."""
        self.call("noise", spans=[list(span) for span in spans], uart=uart)

    def sent(self, *, uart: int = 0, take: bool = False) -> list[Sent]:
        """Bytes the board has sent; with `take`, forgotten afterwards."""
        return [Sent(*one) for one in self.call("sent", uart=uart, take=take)["sent"]]

    # --- pins ---

    def pin_at(self, cycle: int, pin: str, level: int | None) -> None:
        """Connects `pin` from outside to 0 or 1, or to nothing (None)."""
        self.act(cycle, "pin", pin, level)

    def force_at(self, cycle: int, pin: str, level: int | None) -> None:
        """Forces a level on a pin against the chip's own output (a short); None ends it."""
        self.act(cycle, "force", pin, level)

    def pull_at(self, cycle: int, pin: str, up: bool) -> None:
        """The board's resistor on a pin: up, or down as all are at first."""
        self.act(cycle, "pull", pin, int(up))

    def edges(self, *, take: bool = False) -> list[Edge]:
        """Every change of every pin; with `take`, forgotten afterwards."""
        return [Edge(*one) for one in self.call("edges", take=take)["edges"]]

    def pulses(self) -> list[Pulse]:
        """Pulses on the outputs so far, by start."""
        return pulses_of(self.edges())

    def level(self, pin: str) -> int:
        """A pin's level now."""
        return self.call("pins", names=[pin])["levels"][0]

    # --- faults ---

    def act(self, cycle: int, name: str, *values: Any) -> None:
        """Plants something at `cycle`: see acts.mjs."""
        self.call("act", at=cycle, act=[name, *values])

    def reset_at(self, cycle: int, cause: str, hold_cycles: int = 0) -> None:
        """cause: ``power`` (RAM lost), ``external``, ``brownout`` or ``watchdog``."""
        self.act(cycle, "reset", cause, hold_cycles)

    def wedge_at(self, cycle: int, where: str = "main", *, interrupts: bool = True) -> None:
        """The program goes round in one instruction from `cycle` on, until a reset.

        where: ``main``, ``open main`` (with interrupts on), ``anywhere``, or a vector's name: as
        soon as it is there.
        """
        self.act(cycle, "wedge", where, interrupts)

    def mask_at(self, cycle: int, on: bool = True) -> None:
        """No interrupt is taken any more, though the program runs on."""
        self.act(cycle, "mask", on)

    def drop_at(self, cycle: int, vector: str, count: int = 1) -> None:
        """The next `count` interrupts of `vector` are lost: flag taken, nobody called."""
        self.act(cycle, "drop", vector, count)

    def hold_at(self, cycle: int, vector: str, cycles: int) -> None:
        """Interrupts of `vector` wait for `cycles`."""
        self.act(cycle, "hold", vector, cycles)

    def stall_at(self, cycle: int, cycles: int) -> None:
        """The processor stands still for `cycles`; timers, line and watchdog go on."""
        self.act(cycle, "stall", cycles)

    # --- real time ---

    def pace(self) -> str:
        """Lets the board run in real time from now on; returns pyserial's URL of its USART0."""
        return f"socket://127.0.0.1:{self.call('pace')['port']}"

    def pace_report(self) -> dict[str, float]:
        """now, times_real_time (what it could run at), lag_ms, worst_lag_ms."""
        return self.call("paced")

    def unpace(self) -> dict[str, float]:
        """Stops real time; returns the last report."""
        report = self.call("unpace")
        self.now = report["now"]
        return report
