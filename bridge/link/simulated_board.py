"""The simulated controller in real time, inside an event loop: a pipe in this process, or a pty.

Thin shell around `SimulatedLink`. It reads the monotonic clock and wakes when something arrives on
the line, or in batches for what the board does by itself; every tick and every pulse is computed
from exact times, so waking late changes nothing on the board but when others hear of it.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

from firmware_protocol.catalogue import ResetCause

from .line_noise import LineNoise
from .simulated_controller import SimulatedController
from .simulated_link import SimulatedLink
from .simulated_memory import MemoryFile
from .simulated_pty import PtyLine
from .simulated_settings import BoardMemory, BoardSettings, Pulse

BATCH_S = 0.002
"""What the board does by itself is lived through in steps of at least this."""
PROOF_OPEN_S = 0.02
PROOF_CLOSED_S = 0.12
"""Longer than the 100 ms after which a closed e-stop input counts."""


def _ignore_data(data: bytes) -> None:
    del data


def _ignore_text(text: str) -> None:
    del text


class PipeTransport:
    """The host's end of the in-process line. `on_data` and `on_lost` are the host's to set."""

    def __init__(self, board: SimulatedBoard) -> None:
        self.on_data: Callable[[bytes], None] = _ignore_data
        self.on_lost: Callable[[str], None] = _ignore_text
        self._board = board
        self.is_open = True

    def write(self, data: bytes) -> None:
        """Bytes for the board; they leave at the line's baud rate."""
        if self.is_open:
            self._board.host_writes(data)

    def unsent_bytes(self) -> int:
        """Bytes written that have not left yet."""
        return self._board.host_unsent_bytes() if self.is_open else 0

    def discard_unsent(self) -> None:
        """Throws away what has not left yet."""
        if self.is_open:
            self._board.host_discards()

    async def send_break(self, duration_s: float) -> bool:
        """Holds the line low. True: this line can carry a break."""
        if not self.is_open:
            return False
        self._board.line_break(duration_s)
        await asyncio.sleep(duration_s)
        return True

    def close(self) -> None:
        """The host lets go of the line; the board goes on alone."""
        self.is_open = False

    def lose(self, why: str) -> None:
        """The line is gone, as if unplugged; the board goes on alone."""
        if self.is_open:
            self.is_open = False
            self.on_lost(why)


class SimulatedBoard:
    """One board that runs while its `async with` does.

    Without `pty_link` it is reached through `transport()`; with it, through a pty whose other end
    has that path as a symbolic link (a pty cannot carry a break). `memory_file` keeps the board's
    memory through the death of the process. `on_pulses` gets every pulse once it has ended,
    `on_change` the controller after each change of state, cause, inputs or proofs. An error in
    a step ends the board: the transport is lost and leaving `async with` raises it.
    """

    def __init__(
        self,
        settings: BoardSettings,
        memory: BoardMemory | None = None,
        *,
        memory_file: Path | None = None,
        power_on: ResetCause = ResetCause.POWER_ON,
        baud: int = 500_000,
        to_board: LineNoise | None = None,
        to_host: LineNoise | None = None,
        pty_link: Path | None = None,
        reset_on_open: bool = False,
        on_pulses: Callable[[list[Pulse]], None] | None = None,
        on_change: Callable[[SimulatedController], None] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if memory is not None and memory_file is not None:
            raise ValueError("give the board a memory or a memory_file, not both")
        self._kept = MemoryFile(memory_file) if memory_file is not None else None
        self._clock = clock
        self._on_pulses = on_pulses
        self._on_change = on_change
        kept = self._kept.memory if self._kept is not None else memory
        self.controller = SimulatedController(settings, kept or BoardMemory(), power_on=power_on)
        self.link = SimulatedLink(
            self.controller, baud=baud, to_board=to_board, to_host=to_host, start_s=clock()
        )
        self._pipe: PipeTransport | None = None
        self._pty: PtyLine | None = None
        if pty_link is not None:
            self._pty = PtyLine(
                pty_link,
                self.host_writes,
                self.host_unsent_bytes,
                self.link.to_board.byte_s,
                on_opened=self._opened if reset_on_open else None,
            )
        self._timer: asyncio.TimerHandle | None = None
        self._wakes_at = math.inf
        self._running = False
        self._failure: Exception | None = None
        self._seen: tuple[int, ...] = ()

    async def __aenter__(self) -> Self:
        self._running = True
        if self._pty is not None:
            self._pty.open()
        self._step()
        return self

    async def __aexit__(self, *exc_info: object) -> None:
        self._end()
        if self._failure is not None:
            raise self._failure

    def _end(self) -> None:
        self._running = False
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._pty is not None:
            self._pty.close()
        if self._pipe is not None:
            self._pipe.lose("the simulated board has ended")

    # -- the line ------------------------------------------------------------------------------

    def transport(self) -> PipeTransport:
        """A fresh host's end of the in-process line; one that was open before is lost."""
        if self._pty is not None:
            raise ValueError("this board is on a pty; open its path")
        if self._pipe is not None:
            self._pipe.lose("opened anew")
        self._pipe = PipeTransport(self)
        return self._pipe

    def host_writes(self, data: bytes) -> None:
        """Bytes given to the line now."""
        self.link.write(self._clock(), data)
        self._wake_by(self.link.to_board.next_delivery_s())

    def host_unsent_bytes(self) -> int:
        """Bytes toward the board that have not left yet."""
        return self.link.to_board.unsent_bytes(self._clock())

    def host_discards(self) -> None:
        """Throws away bytes toward the board that have not left yet."""
        self.link.to_board.discard_unsent(self._clock())

    def line_break(self, duration_s: float) -> None:
        """Holds the line toward the board low for `duration_s`, after what was written."""
        self.link.to_board.hold_low(self._clock(), duration_s)
        self._wake_by(self.link.to_board.next_delivery_s())

    def _opened(self) -> None:
        self.reset(ResetCause.EXTERNAL)

    # -- the board's inputs --------------------------------------------------------------------

    def press_estop(self) -> None:
        """Both e-stop inputs open."""
        self.controller.set_inputs(self._present(), estop_a=False, estop_b=False)
        self._step()

    def release_estop(self) -> None:
        """Both e-stop inputs close; that counts 100 ms later."""
        self.controller.set_inputs(self._present(), estop_a=True, estop_b=True)
        self._step()

    async def prove_estop(self) -> None:
        """The daily proof test: presses and releases, and waits until that counts."""
        self.press_estop()
        await asyncio.sleep(PROOF_OPEN_S)
        self.release_estop()
        await asyncio.sleep(PROOF_CLOSED_S)

    def key(self, on: bool) -> None:
        """Turns the key switch."""
        self.controller.set_inputs(self._present(), key=on)
        self._step()

    def local_stop(self, pressed: bool = True) -> None:
        """Presses or releases the board's own stop button."""
        self.controller.set_inputs(self._present(), local_stop=pressed)
        self._step()

    def ready(self, output: int, is_ready: bool) -> None:
        """Sets the ready input of an output, 0 to 3."""
        self.controller.set_inputs(self._present(), ready={output: is_ready})
        self._step()

    def reset(self, cause: ResetCause) -> None:
        """Restarts the board's program."""
        self.controller.reset(self._present(), cause)
        self._step()

    def _present(self) -> int:
        """The tick now, everything before it lived through."""
        now_s = self._clock()
        self.link.advance(now_s)
        return self.controller.tick

    # -- time ----------------------------------------------------------------------------------

    def _wake_by(self, time_s: float) -> None:
        """Makes sure that the next step comes no later than `time_s`."""
        if not self._running or time_s >= self._wakes_at:
            return
        if self._timer is not None:
            self._timer.cancel()
        loop = asyncio.get_running_loop()
        self._wakes_at = time_s
        self._timer = loop.call_at(loop.time() + max(0.0, time_s - self._clock()), self._step)

    def _step(self) -> None:
        if not self._running:
            return
        try:
            self._live()
        except Exception as error:
            self._failure = error
            self._end()

    def _live(self) -> None:
        now_s = self._clock()
        self.link.advance(now_s)
        if self._kept is not None:
            self._kept.save()  # before anybody hears of it
        pulses = self.controller.take_pulses()
        if pulses and self._on_pulses is not None:
            self._on_pulses(pulses)
        controller = self.controller
        seen = (controller.state, controller.cause, controller.trip_number, controller.inputs)
        seen += (controller.proofs, controller.boot_id)
        if seen != self._seen:
            self._seen = seen
            if self._on_change is not None:
                self._on_change(controller)
        for _, data in self.link.take_received():
            if self._pty is not None:
                self._pty.send(data)
            elif self._pipe is not None and self._pipe.is_open:
                self._pipe.on_data(data)
        line_s = min(self.link.to_board.next_delivery_s(), self.link.to_host.next_delivery_s())
        board_s = max(self.link.next_event_s(), now_s + BATCH_S)
        self._wakes_at = math.inf
        self._wake_by(min(line_s, board_s))
