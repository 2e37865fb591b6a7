"""Memory, and what a bench measures of the program in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tests.bench.process import BoardProcess
from tests.bench.records import Entry


class Measures(BoardProcess):
    """Looks into memory and processor; what a save keeps and a restore brings back."""

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
