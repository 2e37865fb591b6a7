"""The controller's C core as a board, with the surface of the Python `SimulatedController`."""

from __future__ import annotations

import ctypes
from collections.abc import Mapping

from bridge.link.simulated_settings import BoardMemory, BoardSettings, Pulse
from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.messages import (
    INPUT_ESTOP_A,
    INPUT_ESTOP_B,
    INPUT_KEY,
    INPUT_LOCAL_STOP,
    INPUT_READY_1,
)

from .library import OUTPUTS, CBoard, CCeilings, CMemory, library

LONGEST_FRAME = 130
ORDINARY_LEVELS = INPUT_ESTOP_A | INPUT_ESTOP_B | INPUT_KEY | 0xF0


class CoreBoard:
    """One board with the C core, from power-on through any number of resets.

    As `SimulatedController`: ticks are extended and must not fall (ValueError); a call at tick T
    leaves the rest of T to the next. `poll_every`: the port polls at these ticks besides events;
    `lazy`: at nothing else, as a main loop does, with `lead` ticks to change what is prepared.
    `line_room`: so many prepared pulses does an output's line hold (1 to 4).
    """

    def __init__(
        self,
        settings: BoardSettings,
        memory: BoardMemory | None = None,
        *,
        power_on: ResetCause = ResetCause.POWER_ON,
        poll_every: int = 0,
        lazy: bool = False,
        lead: int = 0,
        line_room: int = 4,
    ) -> None:
        self._library = library()
        self.settings = settings
        self.memory = memory if memory is not None else BoardMemory()
        self._levels = ORDINARY_LEVELS
        board = CBoard(
            settings.build,
            settings.flash_crc,
            settings.board_id,
            settings.horn_ms,
            settings.fuse_low,
            settings.fuse_high,
            settings.fuse_extended,
            settings.lock_bits,
            settings.checks,
            int(power_on),
            (CCeilings * OUTPUTS)(
                *(
                    (c.max_on_ticks, c.min_off_ticks, c.max_starts_1s, c.max_duty_1s_ticks)
                    for c in settings.ceilings_by_output
                )
            ),
        )
        kept = CMemory(
            self.memory.boot_id,
            self.memory.trip_number,
            int(self.memory.state),
            int(self.memory.cause),
        )
        self._handle: int = self._library.cw_new(board, kept, self._levels, settings.first_tick)
        if poll_every or lazy or lead:
            self._library.cw_port(self._handle, poll_every, lazy, lead)
        self._library.cw_line_room(self._handle, line_room)
        self._remember()

    def __del__(self) -> None:
        handle = getattr(self, "_handle", None)
        if handle:
            self._library.cw_free(handle)

    def _do(self, name: str, tick: int, *arguments: object) -> None:
        if not getattr(self._library, name)(self._handle, tick, *arguments):
            raise ValueError(f"tick {tick} is before {self.tick}")
        self._remember()

    def _remember(self) -> None:
        memory: CMemory = self._library.cw_memory(self._handle)
        self.memory.state = State(memory.state)
        self.memory.cause = Cause(memory.cause)
        self.memory.trip_number = memory.trip_number
        self.memory.boot_id = memory.boot_id

    # -- what happens to it --------------------------------------------------------------------

    def receive(self, tick: int, data: bytes) -> None:
        self._do("cw_bytes", tick, data, len(data))

    def line_error(self, tick: int) -> None:
        self._do("cw_line_error", tick)

    def line_break(self, tick: int) -> None:
        self._do("cw_line_break", tick)

    def line_idle(self, tick: int) -> None:
        self._do("cw_line_idle", tick)

    def set_inputs(
        self,
        tick: int,
        *,
        estop_a: bool | None = None,
        estop_b: bool | None = None,
        key: bool | None = None,
        local_stop: bool | None = None,
        ready: Mapping[int, bool] | None = None,
        pin_mismatch: bool | None = None,
    ) -> None:
        """New levels, None = as before; as the port would tell them: all of them at once."""
        levels = self._levels
        for bit, level in (
            (INPUT_ESTOP_A, estop_a),
            (INPUT_ESTOP_B, estop_b),
            (INPUT_KEY, key),
            (INPUT_LOCAL_STOP, local_stop),
            *((INPUT_READY_1 << output, on) for output, on in (ready or {}).items()),
        ):
            if level is not None:
                levels = levels | bit if level else levels & ~bit
        self._levels = levels
        self._do("cw_inputs", tick, levels)
        if pin_mismatch is not None:
            self._do("cw_pin_mismatch", tick, pin_mismatch)

    def internal_fault(self, tick: int) -> None:
        self._do("cw_fault", tick)

    def reset(self, tick: int, cause: ResetCause) -> None:
        self._do("cw_reset", tick, int(cause))

    def advance(self, tick: int) -> None:
        self._do("cw_advance", tick)

    def port(self, poll_every: int, lead: int) -> None:
        """From now on a lazy port; `poll_every` 0: the main loop hangs."""
        self._library.cw_port(self._handle, poll_every, True, lead)

    def outgoing_full(self, full: bool) -> None:
        """The outgoing buffer takes nothing from now on, or again."""
        self._library.cw_outgoing_full(self._handle, full)

    # -- what comes of it ----------------------------------------------------------------------

    def take_output(self) -> list[tuple[int, bytes]]:
        taken: list[tuple[int, bytes]] = []
        tick, frame = ctypes.c_uint64(), ctypes.create_string_buffer(LONGEST_FRAME)
        while length := self._library.cw_take_frame(self._handle, tick, frame):
            taken.append((tick.value, frame.raw[:length]))
        return taken

    def take_pulses(self) -> list[Pulse]:
        taken: list[Pulse] = []
        start, on = ctypes.c_uint64(), ctypes.c_uint32()
        while (output := self._library.cw_take_pulse(self._handle, start, on)) >= 0:
            taken.append(Pulse(output, start.value, on.value))
        return taken

    @property
    def tick(self) -> int:
        return self._library.cw_tick(self._handle)

    @property
    def wire_tick(self) -> int:
        return self._library.cw_wire_tick(self._handle)

    @property
    def session(self) -> int:
        return self._library.cw_session(self._handle)

    @property
    def state(self) -> State:
        return self.memory.state

    @property
    def cause(self) -> Cause:
        return self.memory.cause

    @property
    def trip_number(self) -> int:
        return self.memory.trip_number

    @property
    def shown_state(self) -> State:
        """What horn and beacon show."""
        return State(self._library.cw_shown_state(self._handle))

    @property
    def broken_offers(self) -> int:
        """Pulses offered that no timer could have kept; anything but 0 is a fault of the core."""
        return self._library.cw_broken_offers(self._handle)

    def is_lit(self, output: int) -> bool:
        return self._library.cw_is_lit(self._handle, output)

    def urgent(self, first: int, but: int = 4) -> int:
        """`core_urgent` of core/core.h, asked from output `first` on; 4: none."""
        return self._library.cw_urgent(self._handle, first, but)

    def digest(self) -> int:
        return self._library.cw_digest(self._handle)
