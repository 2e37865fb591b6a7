"""The process that runs a simulated board: started, asked, ended."""

from __future__ import annotations

import contextlib
import json
import subprocess
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.bench.build import HERE, prepare
from tests.bench.records import BenchError


class BoardProcess:
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
