"""The controller's C core under ctypes, with the surface of the Python `SimulatedController`.

The library is built from source before the first test (gcc and make are required: CI has them, and
a core that was not compiled was not tested). `COILWARDEN_CORE` names another build of it, such as
the one with sanitizers or with coverage counters.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import shutil
import subprocess
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from bridge.link.simulated_settings import BoardMemory, BoardSettings, Pulse
from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.messages import (
    INPUT_ESTOP_A,
    INPUT_ESTOP_B,
    INPUT_KEY,
    INPUT_LOCAL_STOP,
    INPUT_READY_1,
)

FIRMWARE = Path(__file__).parents[2] / "firmware_protocol" / "firmware"
LONGEST_FRAME = 130
OUTPUTS = 4
ORDINARY_LEVELS = INPUT_ESTOP_A | INPUT_ESTOP_B | INPUT_KEY | 0xF0


class CCeilings(ctypes.Structure):
    """`struct ceilings` of core/limits.h."""

    _fields_ = [
        ("max_on", ctypes.c_uint16),
        ("min_off", ctypes.c_uint16),
        ("max_starts_1s", ctypes.c_uint16),
        ("duty_1s", ctypes.c_uint32),
    ]


class CLimits(ctypes.Structure):
    """`struct limits` of core/limits.h."""

    _fields_ = [
        ("most", CCeilings),
        ("window2_ms", ctypes.c_uint16),
        ("window3_ms", ctypes.c_uint16),
        ("window2", ctypes.c_uint32),
        ("window3", ctypes.c_uint32),
    ]


class CMemory(ctypes.Structure):
    """`struct trip_memory` of core/port.h."""

    _fields_ = [
        ("boot_id", ctypes.c_uint32),
        ("trip_number", ctypes.c_uint16),
        ("state", ctypes.c_uint8),
        ("cause", ctypes.c_uint8),
    ]


class CBoard(ctypes.Structure):
    """`struct board` of core/core.h."""

    _fields_ = [
        ("build", ctypes.c_uint32),
        ("flash_crc", ctypes.c_uint32),
        ("board_id", ctypes.c_uint32),
        ("horn_ms", ctypes.c_uint16),
        ("fuse_low", ctypes.c_uint8),
        ("fuse_high", ctypes.c_uint8),
        ("fuse_extended", ctypes.c_uint8),
        ("lock_bits", ctypes.c_uint8),
        ("checks", ctypes.c_uint8),
        ("reset_cause", ctypes.c_uint8),
        ("ceilings", CCeilings * OUTPUTS),
    ]


class CUptime(ctypes.Structure):
    """`struct uptime` of core/ticks.h."""

    _fields_ = [("high", ctypes.c_uint32), ("low", ctypes.c_uint32)]


class CReader(ctypes.Structure):
    """`struct reader` of core/reader.h."""

    _fields_ = [
        ("block_left", ctypes.c_uint8),
        ("count", ctypes.c_uint8),
        ("spoiled", ctypes.c_bool),
        ("begun", ctypes.c_bool),
        ("length", ctypes.c_uint8),
        ("summed", ctypes.c_uint8),
        ("crc", ctypes.c_uint16),
        ("bad_frames", ctypes.c_uint16),
        ("bytes", ctypes.c_uint8 * 128),
    ]


def build(target: str, file: str) -> Path:
    """Makes one target of the firmware's Makefile; the path of what was built.

    Raises RuntimeError, with the Debian package that is missing or what the compiler said.
    """
    for program, package in (("gcc", "gcc libc6-dev"), ("make", "make")):
        if shutil.which(program) is None:
            raise RuntimeError(f"{program} is needed to build the core: apt-get install {package}")
    directory = FIRMWARE / "build"
    directory.mkdir(exist_ok=True)
    with (directory / "lock").open("w") as lock:  # tests may run in several processes
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = subprocess.run(
            ["make", "-s", "-C", str(FIRMWARE), target], capture_output=True, text=True, check=False
        )
    if done.returncode:
        raise RuntimeError(f"make {target} failed:\n{done.stdout}{done.stderr}")
    return directory / file


_B, _T, _U8, _U32, _P = (
    ctypes.c_void_p,
    ctypes.c_uint64,
    ctypes.c_uint8,
    ctypes.c_uint32,
    ctypes.POINTER,
)
_SIGNATURES: dict[str, tuple[object, list[object]]] = {
    "cw_new": (_B, [_P(CBoard), _P(CMemory), _U8, _T]),
    "cw_free": (None, [_B]),
    "cw_port": (None, [_B, _U32, ctypes.c_bool, _U8]),
    "cw_line_room": (None, [_B, _U8]),
    "cw_outgoing_full": (None, [_B, ctypes.c_bool]),
    "cw_bytes": (ctypes.c_bool, [_B, _T, ctypes.c_char_p, ctypes.c_size_t]),
    "cw_line_error": (ctypes.c_bool, [_B, _T]),
    "cw_line_break": (ctypes.c_bool, [_B, _T]),
    "cw_line_idle": (ctypes.c_bool, [_B, _T]),
    "cw_inputs": (ctypes.c_bool, [_B, _T, _U8]),
    "cw_pin_mismatch": (ctypes.c_bool, [_B, _T, ctypes.c_bool]),
    "cw_fault": (ctypes.c_bool, [_B, _T]),
    "cw_reset": (ctypes.c_bool, [_B, _T, _U8]),
    "cw_advance": (ctypes.c_bool, [_B, _T]),
    "cw_take_frame": (ctypes.c_size_t, [_B, _P(_T), ctypes.c_char_p]),
    "cw_take_pulse": (ctypes.c_int, [_B, _P(_T), _P(_U32)]),
    "cw_tick": (_T, [_B]),
    "cw_wire_tick": (_U32, [_B]),
    "cw_session": (_U32, [_B]),
    "cw_digest": (_U32, [_B]),
    "cw_memory": (CMemory, [_B]),
    "cw_is_lit": (ctypes.c_bool, [_B, _U8]),
    "cw_shown_state": (_U8, [_B]),
    "cw_broken_offers": (_U32, [_B]),
    "cw_core_size": (ctypes.c_size_t, []),
    "cw_guard_size": (ctypes.c_size_t, []),
    "cw_inputs_size": (ctypes.c_size_t, []),
    "cw_permission_size": (ctypes.c_size_t, []),
    "cw_nonces_size": (ctypes.c_size_t, []),
    "cw_reader_size": (ctypes.c_size_t, []),
    "guard_start": (None, [_B, ctypes.c_uint16, _U32]),
    "guard_set_limits": (None, [_B, _P(CLimits), _U32, _P(CUptime)]),
    "guard_judge": (_U8, [_B, _U32, ctypes.c_uint16]),
    "guard_prepare": (ctypes.c_bool, [_B, _U32, ctypes.c_uint16]),
    "guard_started": (ctypes.c_bool, [_B]),
    "guard_withdrawn": (None, [_B, _U8]),
    "guard_cut": (None, [_B, _U32]),
    "guard_pass": (None, [_B, _U32]),
    "limits_check": (_U8, [_P(CLimits), _P(CCeilings), _P(CLimits)]),
    "reader_start": (None, [_P(CReader)]),
    "reader_take": (_U8, [_P(CReader), ctypes.c_char_p, _U8, _P(ctypes.c_bool)]),
    "permission_move": (ctypes.c_bool, [_P(CMemory), _U8]),
    "nonces_start": (None, [_B, _U32]),
    "nonces_number": (_U32, [_B]),
    "nonces_issue": (_U32, [_B, _U32]),
    "nonces_use_up": (ctypes.c_bool, [_B, _U32, _U32]),
    "nonces_pass": (None, [_B, _U32]),
    "inputs_start": (None, [_B, _U8, _U32]),
    "inputs_set_estops": (ctypes.c_bool, [_B, _U8, ctypes.c_bool, _U32]),
    "inputs_set_others": (None, [_B, _U8]),
    "inputs_count": (ctypes.c_bool, [_B, _U32]),
    "inputs_next_tick": (ctypes.c_bool, [_B, _P(_U32)]),
    "inputs_bits": (_U8, [_B]),
    "inputs_proofs": (_U8, [_B]),
}


@cache
def library() -> ctypes.CDLL:
    """The core, built and loaded, every function with its types."""
    named = os.environ.get("COILWARDEN_CORE")
    loaded = ctypes.CDLL(named or str(build("host", "libcoilwarden_core.so")))
    for name, (result, arguments) in _SIGNATURES.items():
        function = getattr(loaded, name)
        function.restype, function.argtypes = result, arguments
    return loaded


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

    def digest(self) -> int:
        return self._library.cw_digest(self._handle)
