"""Writes the golden vectors of `firmware_protocol/vectors/` from the model and the messages.

Run `python -m tests.firmware_protocol.make_vectors` after a deliberate change of the protocol and
read the difference. What the vectors say is checked by hand-made arithmetic in
`test_vectors_by_hand.py`; the formats are described in PROTOCOL.md, section 12.
"""

from __future__ import annotations

import json
import random
from dataclasses import asdict, fields, is_dataclass
from enum import IntEnum
from pathlib import Path
from typing import Any

import firmware_protocol
from firmware_protocol.catalogue import Cause, GuardReason, Reason, ResetCause, State
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import (
    Arm,
    Armed,
    Ceilings,
    ControllerMessage,
    Disarm,
    Hello,
    HostMessage,
    Identity,
    Limits,
    LimitsSet,
    OutputLimits,
    OutputStatus,
    Ping,
    Pong,
    Refusal,
    Reset,
    Slot,
    Status,
    Stop,
    Voices,
)

from .vector_script import bench_for
from .vector_scripts import SCRIPTS

VECTORS = Path(firmware_protocol.__file__).parent / "vectors"

_LIMITS = OutputLimits(1, 400, 240, 500, 60_000, 100, 8000, 10, 1200)
_CEILINGS = Ceilings(800, 200, 2000, 240_000)

EXAMPLE_MESSAGES: list[HostMessage | ControllerMessage] = [
    Hello(),
    Limits(_LIMITS),
    Arm(0x0001_0002, 0xDEAD_BEEF),
    Voices(0x0001_0003, 2, 7, 1, 0, 0xFFFF_FFF0, ()),
    Voices(
        0x0001_0003,
        0,
        0xFFFF,
        2,
        0x1234_5678,
        0x1240_0000,
        (Slot(1, 0, 0, 0, 200, 0, 1_163_636), None, Slot(255, 12, 128, 255, 65_535, 9, 2**32 - 1)),
    ),
    Voices(5, 3, 1, 3, 0, 1, tuple(Slot(n, n, n, n, n + 1, n, 51_200 + n) for n in range(4))),
    Disarm(),
    Stop(1),
    Reset(0x0102, 0x0003_0004),
    Ping(0, 0),
    Ping(0xFFFF_FFFF, 1),
    Identity(
        1,
        0x0100,
        0x5EED_C0DE,
        255,
        199,
        252,
        255,
        0x00C0_FFEE,
        3,
        ResetCause.WATCHDOG,
        2_000_000,
        4,
        4,
        16,
        3000,
        3,
        0xCAFE_F00D,
        (_CEILINGS, _CEILINGS, Ceilings(300, 400, 600, 100_000), _CEILINGS),
    ),
    Status(
        0xFFFF_FFFF,
        State.TRIPPED,
        Cause.GUARD_REFUSALS,
        9,
        0,
        0xF7,
        3,
        1,
        2,
        3,
        4,
        5,
        6,
        7,
        2,
        (
            OutputStatus(65_535, 1, 17, GuardReason.RATE, 0, (1, 2, 5, 3, 6, 0)),
            OutputStatus(0, 0, 300, 0, 16, (0, 0, 0, 255, 0, 45)),
        ),
    ),
    Pong(1, 2, 3, 0x0001_0001),
    Refusal(4, 200, Reason.CAUSE_REMAINS, 1),
    LimitsSet(_LIMITS, 0x0BAD_CAFE),
    Armed(0x0001_0001, 0x0001_0002, 6_000_000),
]


def plain(value: Any) -> Any:
    """A message's fields as JSON values."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Slot):
        return {name: plain(field) for name, field in value._asdict().items()}
    if isinstance(value, tuple):
        return [plain(item) for item in value]
    return int(value) if isinstance(value, IntEnum) else value


def frame_vectors() -> list[dict[str, Any]]:
    """Every message type: fields, payload and the whole frame on the wire."""
    return [
        {
            "name": type(message).__name__,
            "type": message.TYPE,
            "sequence": (index * 37) & 0xFF,
            "fields": plain(message),
            "payload": message.payload().hex(),
            "wire": encode_frame(message.TYPE, (index * 37) & 0xFF, message.payload()).hex(),
        }
        for index, message in enumerate(EXAMPLE_MESSAGES)
    ]


def _bad_streams() -> dict[str, bytes]:
    stop = encode_frame(0x06, 1, b"\x01")
    ping = encode_frame(0x08, 2, b"\x01\x02\x03\x04\x00")
    chance = random.Random(1999)
    return {
        "two frames": stop + ping,
        "delimiters only": bytes(5),
        "a delimiter before each": b"\x00" + stop + b"\x00\x00" + ping,
        "a broken CRC": stop[:2] + bytes((stop[2] ^ 0x40,)) + stop[3:] + ping,
        "a code byte beyond the end": b"\x09\x01\x02\x00" + ping,
        "a lost delimiter joins two": stop[:-1] + ping + stop,
        "a byte lost": stop[:3] + stop[4:] + ping,
        "three bytes": b"\x04\x01\x02\x03\x00" + stop,
        "128 bytes are most": encode_frame(0x08, 9, bytes(124)),
        "129 bytes": _overlong(129) + stop,
        "a thousand bytes without a delimiter": b"\x01" * 1000 + b"\x00" + stop,
        "a frame unfinished": stop + ping[:-2],
        "garbage, then a frame": bytes(chance.randrange(256) for _ in range(300)) + b"\x00" + stop,
    }


def _overlong(length: int) -> bytes:
    """COBS of `length` bytes 0x55 (< 254, so one code byte)."""
    return bytes((length + 1,)) + b"\x55" * length + b"\x00"


def bad_frame_vectors() -> list[dict[str, Any]]:
    """Streams, the frames in them and how many were dropped."""
    vectors: list[dict[str, Any]] = []
    for name, stream in _bad_streams().items():
        reader = FrameReader()
        frames = reader.feed(stream)
        vectors.append(
            {
                "name": name,
                "stream": stream.hex(),
                "bad_frames": reader.bad_frames,
                "frames": [[f.type_code, f.sequence, f.payload.hex()] for f in frames],
            }
        )
    return vectors


def train_vector(name: str) -> dict[str, Any]:
    """One script, lived through by the model."""
    script = SCRIPTS[name]
    bench = bench_for(script)
    before = asdict(bench.memory) | {"boot_id": bench.memory.boot_id - 1}
    if script.memory is not None:
        before = asdict(script.memory)
    script.play(bench)
    bench.collect()
    return {
        "name": name,
        "about": (script.play.__doc__ or "").strip(),
        "board": plain(script.settings),
        "memory": plain_memory(before),
        "power_on": int(script.power_on),
        "steps": bench.steps,
        "output": [[tick, data.hex()] for tick, data in bench.sent],
        "pulses": sorted(([p.output, p.start_tick, p.on_ticks] for p in bench.pulses), key=_when),
        "end": plain_memory(asdict(bench.memory)) | {"tick": bench.board.tick},
    }


def plain_memory(memory: dict[str, Any]) -> dict[str, int]:
    return {name: int(value) for name, value in memory.items()}


def _when(pulse: list[int]) -> tuple[int, int]:
    return pulse[1], pulse[0]


def write(name: str, vectors: list[dict[str, Any]]) -> None:
    """One vector a line: a small change is a small difference."""
    lines = ",\n".join(json.dumps(vector, separators=(",", ":")) for vector in vectors)
    (VECTORS / name).write_text(f"[\n{lines}\n]\n", encoding="utf-8")


def main() -> None:
    VECTORS.mkdir(exist_ok=True)
    write("frames.json", frame_vectors())
    write("bad_frames.json", bad_frame_vectors())
    write("trains.json", [train_vector(name) for name in SCRIPTS])


if __name__ == "__main__":
    main()
