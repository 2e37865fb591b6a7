"""The C core built and loaded under ctypes: its structs and the types of its functions.

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
from functools import cache
from pathlib import Path

FIRMWARE = Path(__file__).parents[2] / "firmware_protocol" / "firmware"
OUTPUTS = 4
WINDOW_SLOTS = 33


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


class CAlarm(ctypes.Structure):
    """`struct alarm` of core/ticks.h."""

    _fields_ = [("at", ctypes.c_uint32), ("set", ctypes.c_bool)]


class CEstopInput(ctypes.Structure):
    """`struct estop_input` of core/inputs.h."""

    _fields_ = [
        ("closes_at", CAlarm),
        ("level", ctypes.c_bool),
        ("closed", ctypes.c_bool),
        ("seen_open", ctypes.c_bool),
        ("proven", ctypes.c_bool),
    ]


class CInputs(ctypes.Structure):
    """`struct inputs` of core/inputs.h."""

    _fields_ = [
        ("estop", CEstopInput * 2),
        ("disagree_at", CAlarm),
        ("levels", ctypes.c_uint8),
        ("disagreeing", ctypes.c_bool),
        ("line_low", ctypes.c_bool),
        ("pin_mismatch", ctypes.c_bool),
    ]


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


class CWindow(ctypes.Structure):
    """`struct window` of core/window.h."""

    _fields_ = [
        ("slot_end", ctypes.c_uint32),
        ("slot_ticks", ctypes.c_uint32),
        ("total", ctypes.c_uint32),
        ("newest", ctypes.c_uint8),
        ("low", ctypes.c_uint16 * WINDOW_SLOTS),
        ("high", ctypes.c_uint8 * WINDOW_SLOTS),
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
    "cw_urgent": (_U8, [_B, _U8, _U8]),
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
    "cw_window_size": (ctypes.c_size_t, []),
    "cw_is_due": (ctypes.c_bool, [_U32, _U32]),
    "cw_is_before": (ctypes.c_bool, [_U32, _U32]),
    "guard_start": (None, [_B, ctypes.c_uint16, _U32]),
    "guard_set_limits": (None, [_B, _P(CLimits), _U32, _P(CUptime)]),
    "guard_judge": (_U8, [_B, _U32, ctypes.c_uint16]),
    "guard_prepare": (ctypes.c_bool, [_B, _U32, ctypes.c_uint16]),
    "guard_started": (ctypes.c_bool, [_B]),
    "guard_withdrawn": (None, [_B, _U8]),
    "guard_cut": (None, [_B, _U32]),
    "guard_pass": (None, [_B, _U32]),
    "window_start": (None, [_P(CWindow), _U32, _U32]),
    "window_slot_ticks": (_U32, [_U32, ctypes.c_uint16]),
    "window_slots_ahead": (_U8, [_P(CWindow), _U32]),
    "window_advance": (_U8, [_P(CWindow), _U32]),
    "limits_check": (_U8, [_P(CLimits), _P(CCeilings), _P(CLimits)]),
    "reader_start": (None, [_P(CReader)]),
    "reader_take": (_U8, [_P(CReader), ctypes.c_char_p, _U8, _P(ctypes.c_bool)]),
    "permission_move": (ctypes.c_bool, [_P(CMemory), _U8]),
    "nonces_start": (None, [_B, _U32]),
    "nonces_number": (_U32, [_B]),
    "nonces_issue": (_U32, [_B, _U32]),
    "nonces_use_up": (ctypes.c_bool, [_B, _U32, _U32]),
    "nonces_pass": (None, [_B, _U32]),
    "inputs_start": (None, [_P(CInputs), _U8, _U32]),
    "inputs_set_estops": (ctypes.c_bool, [_P(CInputs), _U8, ctypes.c_bool, _U32]),
    "inputs_set_others": (None, [_P(CInputs), _U8]),
    "inputs_count": (ctypes.c_bool, [_P(CInputs), _U32]),
    "inputs_next_tick": (ctypes.c_bool, [_P(CInputs), _P(_U32)]),
    "inputs_bits": (_U8, [_P(CInputs)]),
    "inputs_proofs": (_U8, [_P(CInputs)]),
    "inputs_remain": (ctypes.c_bool, [_P(CInputs), _U8, _U8]),
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
