"""A golden train vector played to any board, as PROTOCOL.md, section 12, says to read it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from bridge.link.simulated_settings import BoardMemory, BoardSettings
from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.messages import Ceilings


def beginning(vector: Mapping[str, Any]) -> tuple[BoardSettings, BoardMemory, ResetCause]:
    """What the board is, what it remembers, and why it starts."""
    settings = vector["board"] | {
        "ceilings": tuple(Ceilings(**c) for c in vector["board"]["ceilings"])
    }
    kept = vector["memory"]
    memory = BoardMemory(
        State(kept["state"]), Cause(kept["cause"]), kept["trip_number"], kept["boot_id"]
    )
    return BoardSettings(**settings), memory, ResetCause(vector["power_on"])


def play(board: Any, vector: Mapping[str, Any]) -> None:
    """Every step, byte by byte. `board`: the Python model, or what answers to its methods."""
    for step in vector["steps"]:
        tick = step["tick"]
        match step["do"]:
            case "bytes":
                for byte in bytes.fromhex(step["hex"]):
                    board.receive(tick, bytes((byte,)))
            case "inputs":
                levels = {k: v for k, v in step.items() if k not in ("tick", "do")}
                if "ready" in levels:
                    levels["ready"] = {int(k): v for k, v in levels["ready"].items()}
                board.set_inputs(tick, **levels)
            case "line_error":
                board.line_error(tick)
            case "break":
                board.line_break(tick)
            case "idle":
                board.line_idle(tick)
            case "reset":
                board.reset(tick, ResetCause(step["cause"]))
            case "advance":
                board.advance(tick)
            case other:
                raise AssertionError(other)
