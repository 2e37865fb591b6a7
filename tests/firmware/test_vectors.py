"""Every golden vector through the C core: the same frames read and sent, the same pulses."""

from __future__ import annotations

import ctypes
import json
from typing import Any

import pytest
from cobs import cobs  # pyright: ignore[reportMissingTypeStubs]

from firmware_protocol.framing import crc16, encode_frame
from tests.firmware_protocol.make_vectors import VECTORS
from tests.firmware_protocol.replay import beginning, play

from .core import CoreBoard
from .library import CReader, library


def load(name: str) -> list[dict[str, Any]]:
    return json.loads((VECTORS / name).read_text(encoding="utf-8"))


TRAINS = {vector["name"]: vector for vector in load("trains.json")}


def replay_core(vector: dict[str, Any], *, poll_every: int = 0, line_room: int = 4) -> CoreBoard:
    """What a reader of PROTOCOL.md, section 12, would do with the core."""
    settings, memory, power_on = beginning(vector)
    board = CoreBoard(
        settings, memory, power_on=power_on, poll_every=poll_every, line_room=line_room
    )
    play(board, vector)
    return board


@pytest.mark.parametrize(("poll_every", "line_room"), [(0, 4), (777, 4), (777, 1)])
@pytest.mark.parametrize("name", TRAINS)
def test_trains(name: str, poll_every: int, line_room: int) -> None:
    """To the very tick. How often the port polls besides, and its room, change nothing."""
    vector = TRAINS[name]
    board = replay_core(vector, poll_every=poll_every, line_room=line_room)
    sent = [[tick, data.hex()] for tick, data in board.take_output()]
    pulses = sorted(
        ([p.output, p.start_tick, p.on_ticks] for p in board.take_pulses()),
        key=lambda p: (p[1], p[0]),
    )
    memory = board.memory
    assert pulses == vector["pulses"]
    assert sent == vector["output"]
    assert vector["end"] == {
        "state": memory.state,
        "cause": memory.cause,
        "trip_number": memory.trip_number,
        "boot_id": memory.boot_id,
        "tick": board.tick,
    }
    assert board.broken_offers == 0


def read(stream: bytes) -> tuple[list[list[Any]], int]:
    """The frames that the core's reader finds in `stream`, and how many bad ones it counts.

    However the stream is cut into rows: one byte, a few, as many as there are.
    """
    found = [read_in_rows(stream, row) for row in (1, 2, 7, 32, 255)]
    assert all(one == found[0] for one in found)
    return found[0]


def read_in_rows(stream: bytes, row: int) -> tuple[list[list[Any]], int]:
    core = library()
    reader = CReader()
    assert ctypes.sizeof(reader) == core.cw_reader_size()
    core.reader_start(reader)
    frames: list[list[Any]] = []
    complete = ctypes.c_bool()
    while stream:
        taken = core.reader_take(reader, stream, min(row, len(stream)), complete)
        stream = stream[taken:]
        if complete:
            body = bytes(reader.bytes)[: reader.length - 2]
            frames.append([body[0], body[1], body[2:].hex()])
    return frames, reader.bad_frames


@pytest.mark.parametrize("vector", load("bad_frames.json"), ids=lambda v: v["name"])
def test_bad_streams(vector: dict[str, Any]) -> None:
    assert read(bytes.fromhex(vector["stream"])) == (vector["frames"], vector["bad_frames"])


@pytest.mark.parametrize(("length", "good"), [(3, 0), (4, 1), (5, 1), (127, 1), (128, 1), (129, 0)])
def test_a_frame_has_4_to_128_bytes(length: int, good: int) -> None:
    """With a right CRC each; what was dropped leaves the next one whole."""
    body = bytes((0x55,)) * (length - 2)
    crc = crc16(body).to_bytes(2, "little")
    frames, bad = read(cobs.encode(body + crc) + b"\0" + encode_frame(6, 1, b"\1"))
    assert (len(frames), bad) == (good + 1, 1 - good)
    assert frames[-1] == [6, 1, "01"]


@pytest.mark.parametrize("vector", load("frames.json"), ids=lambda v: v["name"])
def test_every_message_is_read_from_the_wire(vector: dict[str, Any]) -> None:
    assert read(bytes.fromhex(vector["wire"])) == (
        [[vector["type"], vector["sequence"], vector["payload"]]],
        0,
    )
