"""MIDI ports over JACK: ports and connections seen through our own graph client."""

from __future__ import annotations

import ctypes
import time

from bridge.midi.libjack import IS_INPUT, IS_OUTPUT, JackClient
from bridge.midi.parts import CLIENT_NAME, Health, MidiPortError, MidiSystem, Source
from bridge.midi.rtmidi_api import RTMIDI_ERRORS, next_message, open_input

STILL_LOOKS = 4
"""So many looks in a row without a new cycle, and the server counts as frozen. The longest usual
cycle (4096 frames at 44.1 kHz, 93 ms) is shorter than one look."""
SETTLE_S = 0.03
"""Between cutting a wire's connections and closing it: some cycles, so that it is at rest."""

_abandoned: list[JackBackend] = []
"""Closed while their server was frozen: their clients cannot be closed without waiting for it.
The next backend tries again."""


class JackWire:
    """A MIDI input port of ours in the JACK graph."""

    def __init__(self, graph: JackClient, client: str, port: str) -> None:
        self._graph = graph
        before = set(graph.ports(IS_INPUT))
        try:
            self._port = open_input("jack", client)
            self._port.open_virtual_port(port)
        except RTMIDI_ERRORS as error:
            raise MidiPortError(f'the JACK port "{client}:{port}" cannot be opened: {error}') from (
                error
            )
        # The server may have made the client's name unique, so the port is found by what is new.
        new = [
            name
            for name in graph.ports(IS_INPUT)
            if name not in before and name.startswith(client) and name.endswith(f":{port}")
        ]
        if len(new) != 1:
            self._port.delete()
            raise MidiPortError(f'the JACK port "{client}:{port}" was opened but does not show')
        self.name = new[0]

    def get_message(self) -> tuple[bytes, float] | None:
        return next_message(self._port)

    def connect(self, source: Source) -> None:
        if not self._graph.connect(source.id, self.name):
            raise MidiPortError(f'JACK refused to connect "{source.id}" to "{self.name}"')

    def peers(self) -> frozenset[str]:
        return frozenset(self._graph.connections(self.name) or ())

    def detach(self) -> None:
        for source in self.peers():
            self._graph.disconnect(source, self.name)
        time.sleep(SETTLE_S)

    def close(self) -> None:
        self._port.delete()

    def abandon(self) -> None:
        # The library closes its client when the object is destroyed. This one never is, not even
        # at the interpreter's end, which would otherwise wait for the frozen server.
        ctypes.pythonapi.Py_IncRef(ctypes.py_object(self._port))


class JackBackend:
    """Raises MidiPortError if no server answers."""

    def __init__(self) -> None:
        for old in [_abandoned.pop() for _ in range(len(_abandoned))]:
            old.close()
        self._graph = JackClient(f"{CLIENT_NAME} graph")
        self._wires: list[JackWire] = []
        self._last_frame: int | None = None
        self._still = 0

    @property
    def system(self) -> MidiSystem:
        return MidiSystem("jack", True, "")

    def health(self) -> Health:
        if self._graph.gone():
            return Health.GONE
        frame = self._graph.frame_time()
        self._still = 0 if frame != self._last_frame else self._still + 1
        self._last_frame = frame
        return Health.FROZEN if self._still >= STILL_LOOKS else Health.ALIVE

    def reopen(self) -> bool:
        # The library shares its view of a server among all clients of a process, until the last
        # is closed. A new client opened before that sees the dead server's memory (and crashes).
        for wire in self._wires:
            wire.close()
        self._wires.clear()
        self._graph.close()
        try:
            self._graph = JackClient(f"{CLIENT_NAME} graph")
        except MidiPortError:
            return False
        self._last_frame, self._still = None, 0
        return True

    def sources(self) -> list[Source]:
        return [
            Source(name, name, self._graph.aliases(name)) for name in self._graph.ports(IS_OUTPUT)
        ]

    def destinations(self) -> list[str]:
        return self._graph.ports(IS_INPUT)

    def open_virtual(self, client: str, port: str) -> JackWire:
        wire = JackWire(self._graph, client, port)
        self._wires.append(wire)
        return wire

    def open_listener(self, client: str, port: str) -> JackWire:
        # The same kind of port: a connection is made and remade in the graph, without closing
        # and opening a client, which would hold the interpreter for tens of milliseconds.
        return self.open_virtual(client, port)

    def _moves(self) -> bool:
        """Whether the server runs a cycle within the longest usual one."""
        if self._graph.gone():
            return True  # as good: nothing will make us wait
        start = self._graph.frame_time()
        for _ in range(12):
            time.sleep(0.011)
            if self._graph.gone() or self._graph.frame_time() != start:
                return True
        return False

    def close(self) -> None:
        if self._moves():
            if not self._graph.gone():
                for wire in self._wires:
                    wire.detach()
            for wire in self._wires:
                wire.close()
            self._graph.close()
            self._wires.clear()
        else:
            for wire in self._wires:
                wire.abandon()
            _abandoned.append(self)
