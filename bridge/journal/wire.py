"""The frames in a journal's bytes, both directions, as messages. Pure."""

from __future__ import annotations

from typing import NamedTuple

from bridge.clocks import HostS
from bridge.entries import LinkUp, Received
from bridge.journal.values import Event, Wrote
from firmware_protocol.framing import FrameReader
from firmware_protocol.messages import (
    ControllerMessage,
    HostMessage,
    MessageError,
    parse_controller_message,
    parse_host_message,
)


class ToBoard(NamedTuple):
    at_s: HostS
    """When the write had returned."""
    controller: str
    message: HostMessage
    wire_bytes: int
    """Of this write up to this frame's end: at ten bits each, how long after it arrived."""


class FromBoard(NamedTuple):
    at_s: HostS
    controller: str
    message: ControllerMessage


class WireReader:
    """Fed with every event in order. A frame cut by the recording's begin is left out."""

    def __init__(self) -> None:
        self._to_board: dict[str, FrameReader] = {}
        self._from_board: dict[str, FrameReader] = {}

    def take(self, event: Event) -> list[ToBoard | FromBoard]:
        """The messages that this event completes; what cannot be read is left out."""
        match event:
            case LinkUp():
                self._to_board.pop(event.controller, None)
                self._from_board.pop(event.controller, None)
            case Wrote():
                return self._sent(event)
            case Received():
                reader = self._from_board.setdefault(event.controller, FrameReader())
                found: list[ToBoard | FromBoard] = []
                for frame in reader.feed(event.data):
                    try:
                        message = parse_controller_message(frame.type_code, frame.payload)
                    except MessageError:
                        continue
                    found.append(FromBoard(event.at_s, event.controller, message))
                return found
            case _:
                pass
        return []

    def _sent(self, event: Wrote) -> list[ToBoard | FromBoard]:
        reader = self._to_board.setdefault(event.controller, FrameReader())
        found: list[ToBoard | FromBoard] = []
        end = 0
        while (delimiter := event.data.find(b"\x00", end)) >= 0:
            begin, end = end, delimiter + 1
            for frame in reader.feed(event.data[begin:end]):
                try:
                    message = parse_host_message(frame.type_code, frame.payload)
                except MessageError:
                    continue
                found.append(ToBoard(event.at_s, event.controller, message, end))
        reader.feed(event.data[end:])
        return found
