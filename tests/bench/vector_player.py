"""A golden vector's steps, played to the image on the bench."""

from __future__ import annotations

from typing import Any

from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_TICK, Entry
from tests.bench.image_bench import (
    BYTE_CYCLES,
    ESTOP_A,
    ESTOP_B,
    KEY,
    LOCAL_STOP,
    OUTPUT_PINS,
    READY,
    ImageBench,
)
from tests.bench.told import TICK_REGISTERS, start_tracing

RESETS = {0: "power", 1: "external", 2: "watchdog", 3: "brownout"}


class Player:
    """A vector's steps on the board. Each byte ends at its tick, or when the line is free."""

    def __init__(self, board: ImageBench, vector: dict[str, Any]) -> None:
        self.board, self.vector = board, vector
        self.origin = 0
        """The vector's tick at which the program that runs began to count, modulo 2**32."""
        self.forced: list[int] = []
        """Cycles at which this test itself put an output's pin high."""

    def begin(self) -> None:
        """As the vector says, in place of what the image found: at the start of the core."""
        board, vector = self.board, self.vector
        self.started()
        first = vector["board"]["first_tick"] & 0xFFFF_FFFF
        where = board.peek_int(20, 2)
        kept = vector["memory"]
        board.poke(where, kept["boot_id"].to_bytes(4, "little"))
        board.poke(where + 4, kept["trip_number"].to_bytes(2, "little"))
        board.poke(where + 6, bytes((kept["state"], kept["cause"])))
        board.poke("ticks_upper", (first >> 16).to_bytes(2, "little"))
        board.poke(0x3E, bytes(((first >> 8) & 0xFF,)))  # GPIOR0
        low = board.peek_int(14, 4) & 0xFF
        board.poke(14, ((first & 0xFFFF_FF00) | low).to_bytes(4, "little"))
        registers = list(board.peek(0, 26))
        read = [board.peek_int(at, 1) for at in TICK_REGISTERS]
        read[0] = low
        start_tracing(board)
        self.begun = Entry(board.now, "core_start", registers, list(board.peek(where, 8)), read)
        self.listening()

    def started(self) -> None:
        """At the start of the core, with the vector's build."""
        assert self.board.run_to_code("core_start", limit=self.board.now + 1000 * CYCLES_PER_MS)
        self.board.poke("board", self.vector["board"]["build"].to_bytes(4, "little"))

    def listening(self) -> None:
        """Until the main loop runs."""
        board = self.board
        assert board.run_to_code("core_poll_status", limit=board.now + 1000 * CYCLES_PER_MS)

    def cycle_at(self, tick: int) -> int:
        now, cycle = self.board.clock()
        ahead = (tick - self.origin - now + 2**31) % 2**32 - 2**31
        return max(self.board.now, cycle + ahead * CYCLES_PER_TICK)

    def play(self) -> None:
        for step in self.vector["steps"]:
            at = self.cycle_at(step["tick"])
            self.do(step, at)
            self.board.run_to(max(self.board.now, at))
            self.board.collect()

    def do(self, step: dict[str, Any], at: int) -> None:
        board = self.board
        match step["do"]:
            case "bytes":
                data = bytes.fromhex(step["hex"])
                board.bytes_at(max(board.now, at - len(data) * BYTE_CYCLES), data)
            case "inputs":
                pins = {
                    "estop_a": ESTOP_A,
                    "estop_b": ESTOP_B,
                    "key": KEY,
                    "local_stop": LOCAL_STOP,
                }
                for name, pin in pins.items():
                    if name in step:
                        board.pin_at(at, pin, step[name] ^ (name in ("estop_a", "key")))
                for output, level in step.get("ready", {}).items():
                    board.pin_at(at, READY[int(output)], int(not level))
                if step.get("pin_mismatch"):
                    self.forced.append(at)
                if "pin_mismatch" in step:
                    board.force_at(at, OUTPUT_PINS[3], 1 if step["pin_mismatch"] else None)
            case "line_error":
                board.low_at(max(board.now, at - 10 * BYTE_CYCLES), BYTE_CYCLES + 100)
            case "break":
                board.low_at(max(board.now, at - 2 * CYCLES_PER_MS), 2 * CYCLES_PER_MS + 600)
                board.run_for(3 * CYCLES_PER_MS)
            case "reset":
                board.run_to(at)
                board.reset_at(at, RESETS[step["cause"]])
                board.run_for(1000)
                self.started()
                self.listening()
                self.origin = step["tick"]
            case _:  # nothing but time; a line that has been low is high again by itself
                pass
