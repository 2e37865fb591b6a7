"""The golden vectors are what the code says today, and can be replayed from the file alone."""

from __future__ import annotations

import json
from typing import Any

import pytest

from bridge.link.simulated_controller import SimulatedController
from firmware_protocol.catalogue import Cause, Reason
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import Refusal

from .make_vectors import VECTORS, bad_frame_vectors, frame_vectors, train_vector
from .replay import beginning, play
from .vector_scripts import SCRIPTS


def load(name: str) -> list[dict[str, Any]]:
    return json.loads((VECTORS / name).read_text(encoding="utf-8"))


TRAINS = {vector["name"]: vector for vector in load("trains.json")}


def test_frames_and_bad_frames_are_those_of_the_code() -> None:
    assert load("frames.json") == frame_vectors()
    assert load("bad_frames.json") == bad_frame_vectors()


def test_every_script_has_its_vector() -> None:
    assert set(TRAINS) == set(SCRIPTS)


@pytest.mark.parametrize("name", SCRIPTS)
def test_trains_are_those_of_the_model(name: str) -> None:
    assert TRAINS[name] == json.loads(json.dumps(train_vector(name)))


@pytest.mark.parametrize("vector", load("frames.json"), ids=lambda v: v["name"])
def test_wire_bytes_hold_type_sequence_payload(vector: dict[str, Any]) -> None:
    payload = bytes.fromhex(vector["payload"])
    assert encode_frame(vector["type"], vector["sequence"], payload).hex() == vector["wire"]


@pytest.mark.parametrize("vector", load("bad_frames.json"), ids=lambda v: v["name"])
def test_bad_streams_byte_by_byte(vector: dict[str, Any]) -> None:
    reader = FrameReader()
    frames = [f for byte in bytes.fromhex(vector["stream"]) for f in reader.feed(bytes((byte,)))]
    assert [[f.type_code, f.sequence, f.payload.hex()] for f in frames] == vector["frames"]
    assert reader.bad_frames == vector["bad_frames"]


def replay_board(vector: dict[str, Any]) -> SimulatedController:
    """The model, after it."""
    settings, memory, power_on = beginning(vector)
    board = SimulatedController(settings, memory, power_on=power_on)
    play(board, vector)
    return board


def replay(vector: dict[str, Any]) -> tuple[list[list[Any]], list[list[int]], dict[str, int]]:
    """Output, pulses and end of the replayed vector, as the file has them."""
    board = replay_board(vector)
    memory = board.memory
    sent = [[tick, data.hex()] for tick, data in board.take_output()]
    pulses = [[p.output, p.start_tick, p.on_ticks] for p in board.take_pulses()]
    end = {
        "state": int(memory.state),
        "cause": int(memory.cause),
        "trip_number": memory.trip_number,
        "boot_id": memory.boot_id,
        "tick": board.tick,
    }
    return sent, sorted(pulses, key=lambda p: (p[1], p[0])), end


@pytest.mark.parametrize("name", SCRIPTS)
def test_trains_replay_from_the_file_byte_by_byte(name: str) -> None:
    vector = TRAINS[name]
    assert replay(vector) == (vector["output"], vector["pulses"], vector["end"])


def test_the_vectors_are_rich() -> None:
    """Between them they reach nearly every cause and reason."""
    causes = {vector["end"]["cause"] for vector in TRAINS.values()}
    reasons: set[int] = set()
    for vector in TRAINS.values():
        for _, data in vector["output"]:
            (frame,) = FrameReader().feed(bytes.fromhex(data))
            if frame.type_code == Refusal.TYPE:
                reasons.add(Refusal.parse(frame.payload).reason)
            if frame.type_code == 0x42:
                causes.add(frame.payload[5])
    assert causes >= set(Cause) - {Cause.INTERNAL_FAULT}
    # A session is wrong only as a trip.
    assert reasons >= set(Reason) - {Reason.WRONG_SESSION}
    assert sum(len(vector["pulses"]) for vector in TRAINS.values()) > 1000
