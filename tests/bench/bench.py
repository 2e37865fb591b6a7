"""The bench: a simulated ATmega2560 that runs the real firmware image, driven from Python.

``with Bench(image) as b:`` starts a Node process (bench.mjs) with the board in it. Times are CPU
cycles, 16 a microsecond, 8 a tick. Nothing happens between calls: ``run_to`` alone moves time,
unless ``pace`` was called.

Pins are named as in the data sheet: ``"PB6"``. Pulses are those of OC1B, OC3B, OC4B and OC5B.
"""

import contextlib
import json
import shutil
import subprocess
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

from tests import npm

HERE = Path(__file__).resolve().parent
CLOCK_HZ = 16_000_000
CYCLES_PER_US = 16
CYCLES_PER_MS = 16_000
CYCLES_PER_TICK = 8
BYTE_CYCLES = 320  # 10 bits at 500 kbaud
OUTPUT_PINS = ("PB6", "PE4", "PH4", "PL4")  # OC1B, OC3B, OC4B, OC5B: outputs 0 to 3
MCU = "atmega2560"

# program → the Debian package that has it
TO_RUN = {"node": "nodejs", "npm": "npm"}
TO_BUILD = {"avr-gcc": "gcc-avr", "avr-objcopy": "binutils-avr"}


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


def missing_packages() -> list[str]:
    """Debian packages the bench, and building images for it, need and this machine lacks."""
    needs = {**TO_RUN, **TO_BUILD}
    missing = {package for program, package in needs.items() if shutil.which(program) is None}
    if "gcc-avr" in missing or not _has_avr_libc():
        missing.add("avr-libc")
    return sorted(missing)


def _has_avr_libc() -> bool:
    command = ["avr-gcc", f"-mmcu={MCU}", "-E", "-include", "avr/io.h", "-xc", "/dev/null"]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def prepare() -> None:
    """Makes the bench ready to start; two processes may do so at once.

    Raises: BenchError naming the Debian packages that are missing, or with npm's own words.
    """
    missing = sorted(package for program, package in TO_RUN.items() if not shutil.which(program))
    if missing:
        raise BenchError(f"the bench needs: apt-get install {' '.join(missing_packages())}")
    if wrong := npm.install(HERE):
        raise BenchError(wrong)


def build(source: Path, into: Path, *flags: str) -> Path:
    """Compiles one C file for the chip; returns the ELF.

    Raises: BenchError naming the Debian packages that are missing, or with the compiler's words.
    """
    missing = missing_packages()
    if missing:
        raise BenchError(f"building for the chip needs: apt-get install {' '.join(missing)}")
    elf = into / (source.stem + ".elf")
    command = ["avr-gcc", f"-mmcu={MCU}", "-DF_CPU=16000000UL", "-std=gnu99", "-Os", "-Wall"]
    command += ["-Wextra", "-Werror", *flags, str(source), "-o", str(elf)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise BenchError(done.stderr)
    return elf


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


class Bench:
    """One simulated board with an image in it, just after power-on and its start-up time."""

    def __init__(
        self,
        image: Path,
        *,
        fuses: Mapping[str, int] | None = None,
        eeprom: bytes | None = None,
        wdt_hz: float = 128_000.0,
        seed: int = 1,
        startup_cycles: int | None = None,
    ) -> None:
        """`image`: ELF (symbols can be named) or Intel HEX. `fuses`: low, high, extended, lock;
        what is not given comes from the image, else is 0xF7, 0xC7, 0xFC, 0xFF. `eeprom`: content
        from address 0, else erased. `wdt_hz`: the watchdog's oscillator. `seed`: what RAM holds at
        power-on. `startup_cycles`: reset to first instruction; the fuses' time if not given.

        Raises: BenchError.
        """
        prepare()
        self._process = subprocess.Popen(
            ["node", str(HERE / "bench.mjs")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._states = 0
        try:
            options: dict[str, Any] = {"fuses": dict(fuses or {}), "wdt_hz": wdt_hz, "seed": seed}
            if eeprom is not None:
                options["eeprom"] = list(eeprom)
            if startup_cycles is not None:
                options["startup_cycles"] = startup_cycles
            self.now: int = self.call("load", image=str(image), **options)["now"]
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Ends the process."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.close()
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process.stdout.close()

    @property
    def pid(self) -> int:
        """Of the process that runs the board."""
        return self._process.pid

    def call(self, op: str, **values: Any) -> dict[str, Any]:
        """One command of bench.mjs; returns its answer. Raises: BenchError if it is refused."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps({"op": op, **values}) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if not line:
            raise BenchError("the bench process ended")
        answer: dict[str, Any] = json.loads(line)
        if not answer["ok"]:
            raise BenchError(answer["error"])
        return answer

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
        """Plants something at `cycle`: see `Board.schedule` in board.mjs."""
        self.call("act", at=cycle, act=[name, *values])

    def reset_at(self, cycle: int, cause: str, hold_cycles: int = 0) -> None:
        """cause: ``power`` (RAM lost), ``external``, ``brownout`` or ``watchdog``."""
        self.act(cycle, "reset", cause, hold_cycles)

    def wedge_at(self, cycle: int, where: str = "main", *, interrupts: bool = True) -> None:
        """The program goes round in one instruction from `cycle` on, until a reset.

        where: ``main``, ``anywhere``, or a vector's name: as soon as it is there.
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

    # --- memory and measurement ---

    def peek(self, at: int | str, count: int = 1) -> bytes:
        """Data memory at an address or ``"symbol"`` / ``"symbol+4"``, without any effect."""
        return bytes(self.call("peek", at=at, count=count)["bytes"])

    def peek_int(self, at: int | str, size: int) -> int:
        """An unsigned little-endian number of `size` bytes."""
        return int.from_bytes(self.peek(at, size), "little")

    def poke(self, at: int | str, data: bytes) -> None:
        """Writes as the program would, registers' actions included."""
        self.call("poke", at=at, bytes=list(data))

    def read(self, at: int) -> int:
        """Reads a register as the program would, with all effects."""
        return self.call("read", at=at)["byte"]

    def eeprom(self) -> bytes:
        """All of the EEPROM."""
        return bytes(self.call("eeprom")["bytes"])

    def set_eeprom(self, at: int, data: bytes) -> None:
        """Changes the EEPROM from outside."""
        self.call("eeprom", set={"at": at, "bytes": list(data)})

    def paint_ram(self, at: int | str, byte: int = 0xA5) -> int:
        """Fills RAM from `at` up to the stack, to see what stays untouched; returns the end."""
        return self.call("paint", at=at, byte=byte)["to"]

    def violations(self, *, take: bool = False) -> list[Any]:
        """What the program did against the write point's invariant (watch.mjs); at most 20. They
        outlive `restore`; with `take`, forgotten afterwards."""
        return self.call("violations", take=take)["found"]

    def processor(self) -> dict[str, Any]:
        """pc (byte address), sp, sreg, interrupts_on, serving (vectors, innermost last)."""
        return self.call("processor")

    def statistics(self, *, reset: bool = False) -> dict[str, Any]:
        """Longest interrupts-off stretches, service times and waits by vector, UART counts, resets.

        ``off``: by what turned interrupts off (``program``, a vector, ``boot``): cycles, at, pc.
        ``vectors``: by name: count, total, longest (entry to the end of RETI), longestWait (flag to
        entry), lowestStack. With `reset`, all but the UARTs' counts and the resets begin anew.
        """
        return self.call("statistics", reset=reset)

    def profile_start(self) -> None:
        """Begins to count cycles by function; runs slower until `profile_end`."""
        self.call("profile", on=True)

    def profile_end(self) -> dict[str, int]:
        """Cycles by function, most first."""
        cycles: dict[str, int] = self.call("profile", on=False)["cycles"]
        return dict(sorted(cycles.items(), key=lambda one: -one[1]))

    def trace(
        self, functions: Mapping[str, Mapping[str, int]] | None, read: Sequence[int | str] = ()
    ) -> None:
        """Notes every entry of these functions (None: no more); see trace.mjs. Slower."""
        self.call("trace", functions=functions, read=list(read))

    def traced(self) -> list[Entry]:
        """Takes what was noted."""
        return [Entry(*one) for one in self.call("traced")["entries"]]

    def save(self) -> str:
        """Remembers the whole board; `restore` brings it back as often as wanted."""
        self._states += 1
        name = f"state {self._states}"
        self.call("save", name=name)
        return name

    def restore(self, state: str) -> None:
        """The board as it was at `save`, recorded edges and bytes included."""
        self.now = self.call("restore", name=state)["now"]

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
