"""MIDI ports over the operating system's own service: ALSA, CoreMIDI or Windows."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from bridge.midi.alsa_clients import CLIENTS_FILE, Clients, port_address, read_clients
from bridge.midi.parts import CLIENT_NAME, Health, MidiPortError, MidiSystem, Source
from bridge.midi.rtmidi_api import (
    RTMIDI_ERRORS,
    RtMidiIn,
    compiled_apis,
    next_message,
    open_input,
    output_names,
)

_Opening = Callable[[RtMidiIn], object]

ALSA_DEVICE = Path("/dev/snd/seq")
NO_WINDOWS_VIRTUAL = (
    "Windows gives programs no virtual MIDI ports: install any loopback MIDI driver, and name its "
    "port with port_pattern instead of virtual_port"
)


class SystemWire:
    """One input. `port` is None while a listener has nothing to listen to."""

    def __init__(self, backend: SystemBackend, client: str, name: str, *, virtual: bool) -> None:
        self._backend = backend
        self._client = client
        self._name = name
        self._virtual = virtual
        self._port: RtMidiIn | None = None
        self._source: Source | None = None
        self._alsa_client: int | None = None
        if virtual:
            self._open(lambda port: port.open_virtual_port(name))

    def _open(self, how: _Opening) -> None:
        before = self._backend.alsa_clients()
        try:
            self._port = open_input(self._backend.system.api, self._client)
            how(self._port)
        except RTMIDI_ERRORS as error:
            self.close()
            raise MidiPortError(f'the MIDI port "{self._name}" cannot be opened: {error}') from (
                error
            )
        after = self._backend.alsa_clients()
        # Two clients may have the same name: ours is the one that is new.
        new = [
            number
            for number, client in (after or {}).items()
            if number not in (before or {}) and client.name == self._client
        ]
        self._alsa_client = new[0] if len(new) == 1 else None

    def get_message(self) -> tuple[bytes, float] | None:
        return None if self._port is None else next_message(self._port)

    def connect(self, source: Source) -> None:
        self.close()

        def listen(port: RtMidiIn) -> None:
            names = port.get_ports()
            if source.name not in names:
                raise OSError(f'"{source.name}" is no longer there')
            port.open_port(names.index(source.name), self._name)

        self._open(listen)
        self._source = source

    def peers(self) -> frozenset[str] | None:
        if self._port is None:
            return frozenset()
        clients = self._backend.alsa_clients()
        if clients is not None and self._alsa_client in clients:
            return clients[self._alsa_client].senders
        if self._virtual:
            return None
        # Nobody tells who is connected, but a device that was unplugged is no longer listed.
        present = {source.id for source in self._backend.last_sources}
        assert self._source is not None
        return frozenset({self._source.id} & present)

    def detach(self) -> None:
        """Nothing to do: no callback runs, so closing waits for nobody."""

    def close(self) -> None:
        if self._port is not None:
            self._port.delete()
        self._port = None
        self._source = None
        self._alsa_client = None


class SystemBackend:
    """Raises MidiPortError if the API is not there."""

    def __init__(self, api: str) -> None:
        if api not in compiled_apis():
            raise MidiPortError(f'the MIDI library here has no "{api}" API ({_listed()})')
        if api == "alsa" and not ALSA_DEVICE.exists():
            raise MidiPortError(
                f"this machine has no ALSA sequencer ({ALSA_DEVICE} is missing): load it with "
                '"modprobe snd-seq", or start a JACK server'
            )
        self._api = api
        try:
            self._scanner = open_input(api, f"{CLIENT_NAME} scan")
        except RTMIDI_ERRORS as error:
            raise MidiPortError(f'the "{api}" MIDI API does not answer: {error}') from error
        self.last_sources: list[Source] = []
        self._wires: list[SystemWire] = []

    @property
    def system(self) -> MidiSystem:
        if self._api == "windows":
            return MidiSystem(self._api, False, NO_WINDOWS_VIRTUAL)
        return MidiSystem(self._api, True, "")

    def health(self) -> Health:
        return Health.ALIVE

    def reopen(self) -> bool:
        return True

    def alsa_clients(self) -> Clients | None:
        return read_clients(CLIENTS_FILE) if self._api == "alsa" else None

    def sources(self) -> list[Source]:
        try:
            names = self._scanner.get_ports()
        except RTMIDI_ERRORS:
            names = []
        own = f"{CLIENT_NAME} "
        self.last_sources = [
            Source(port_address(name) if self._api == "alsa" else name, name)
            for name in names
            if not name.startswith(own)
        ]
        return self.last_sources

    def destinations(self) -> list[str]:
        try:
            return output_names(self._api, f"{CLIENT_NAME} scan")
        except RTMIDI_ERRORS:
            return []

    def open_virtual(self, client: str, port: str) -> SystemWire:
        if not self.system.virtual_ports:
            raise MidiPortError(self.system.reason)
        return self._add(SystemWire(self, client, port, virtual=True))

    def open_listener(self, client: str, port: str) -> SystemWire:
        return self._add(SystemWire(self, client, port, virtual=False))

    def _add(self, wire: SystemWire) -> SystemWire:
        self._wires.append(wire)
        return wire

    def close(self) -> None:
        for wire in self._wires:
            wire.close()
        self._wires.clear()
        self._scanner.delete()


def _listed() -> str:
    return f"on {sys.platform} it has: {', '.join(sorted(compiled_apis())) or 'none'}"
