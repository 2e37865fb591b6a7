"""The operating system's MIDI ports, with a MIDI library and a kernel that the test plays.

No machine with an ALSA sequencer, CoreMIDI or Windows is at hand here: what stands in for the
library has the few calls of python-rtmidi that we use, with its names and its errors, and the
kernel's list of clients is written as in test_alsa_clients.py.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import rtmidi

from bridge.config import Input
from bridge.midi import rtmidi_api, system_backend
from bridge.midi.backends import open_backend
from bridge.midi.parts import Health, MidiPortError, PortState
from bridge.midi.reader import Reader
from bridge.midi.rtmidi_api import API_NUMBERS
from bridge.midi.slot import Slot
from bridge.midi.system_backend import SystemBackend, SystemWire

KEYS = "USB Keys:USB Keys MIDI 1 20:0"
PADS = "Pads:Pads MIDI 1 24:0"
CLIENT = "Coilwarden DAW"
NOTE_ON = [0x90, 0x3C, 0x64]


class World:
    """The machine: hardware ports in the library's list, clients in the kernel's."""

    def __init__(self, clients_file: Path) -> None:
        self.compiled = set(API_NUMBERS.values())
        self.hardware = [KEYS, PADS]
        self.clients: dict[int, tuple[str, set[str]]] = {0: ("System", set())}
        self.ports: list[FakeIn] = []
        self.errors: dict[str, Exception] = {}
        """Call → what it raises."""
        self._file = clients_file
        self.write()

    def write(self) -> None:
        lines = ["Client info"]
        for number, (name, senders) in sorted(self.clients.items()):
            lines += [f'Client {number:3} : "{name}" [User]', '  Port   0 : "in" (-We-)']
            if senders:
                lines.append(f"    Connected From: {', '.join(sorted(senders))}")
        self._file.write_text("\n".join(lines) + "\n")

    def call(self, name: str) -> None:
        if name in self.errors:
            raise self.errors[name]

    def unplug(self, name: str) -> None:
        self.hardware.remove(name)
        for _, senders in self.clients.values():
            senders.discard(name.rsplit(" ", 1)[1])
        self.write()

    def connected(self, number: int, *addresses: str) -> None:
        """From now on these ports send to the client."""
        self.clients[number] = (self.clients[number][0], set(addresses))
        self.write()

    def named(self, client: str) -> list[FakeIn]:
        return [p for p in self.ports if p.client == client]


class FakeIn:
    """rtmidi.MidiIn, as far as we use it."""

    def __init__(self, world: World, api: int, client: str, queue_size: int) -> None:
        world.call("MidiIn")
        self.world, self.api, self.client, self.queue_size = world, api, client, queue_size
        self.number = max(127, *world.clients) + 1
        self.ignored: tuple[bool, bool, bool] | None = None
        self.virtual: str | None = None
        self.source: str | None = None
        self.messages: list[tuple[list[int], float]] = []
        self.deleted = False
        world.clients[self.number] = (client, set())
        world.ports.append(self)
        world.write()

    def ignore_types(
        self, sysex: bool = True, timing: bool = True, active_sense: bool = True
    ) -> None:
        self.ignored = (sysex, timing, active_sense)

    def get_ports(self) -> list[str]:
        assert not self.deleted
        self.world.call("get_ports")
        own = [f"{p.client}:{p.virtual} {p.number}:0" for p in self.world.ports if p.virtual]
        return self.world.hardware + own

    def open_port(self, port: int = 0, name: str | None = None) -> FakeIn:
        assert not self.deleted
        self.world.call("open_port")
        self.source = self.get_ports()[port]
        self.world.clients[self.number][1].add(self.source.rsplit(" ", 1)[1])
        self.world.write()
        return self

    def open_virtual_port(self, name: str | None = None) -> FakeIn:
        assert not self.deleted
        self.world.call("open_virtual_port")
        self.virtual = name
        return self

    def get_message(self) -> tuple[list[int], float] | None:
        assert not self.deleted
        return self.messages.pop(0) if self.messages else None

    def delete(self) -> None:
        assert not self.deleted, "deleted twice"
        self.deleted = True
        self.world.ports.remove(self)
        del self.world.clients[self.number]
        self.world.write()


class FakeLibrary:
    def __init__(self, world: World) -> None:
        self._world = world

    def get_compiled_api(self) -> list[int]:
        return sorted(self._world.compiled)

    def MidiIn(self, rtapi: int, name: str, queue_size_limit: int) -> FakeIn:
        return FakeIn(self._world, rtapi, name, queue_size_limit)

    def MidiOut(self, rtapi: int, name: str) -> FakeIn:
        return FakeIn(self._world, rtapi, name, 0)


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> World:
    made = World(tmp_path / "clients")
    (tmp_path / "seq").touch()
    monkeypatch.setattr(rtmidi_api, "rtmidi", FakeLibrary(made))
    monkeypatch.setattr(system_backend, "CLIENTS_FILE", tmp_path / "clients")
    monkeypatch.setattr(system_backend, "ALSA_DEVICE", tmp_path / "seq")
    return made


def keys(backend: SystemBackend, port: str = KEYS) -> SystemWire:
    """A listener connected to the keyboard."""
    wire = backend.open_listener("Coilwarden Keys", "Keys")
    wire.connect(next(s for s in backend.sources() if s.name == port))
    return wire


def test_a_virtual_port_passes_everything_under_its_own_name(world: World) -> None:
    backend = SystemBackend("alsa")
    wire = backend.open_virtual(CLIENT, "Coilwarden")
    (port,) = world.named(CLIENT)
    assert port.api == API_NUMBERS["alsa"]
    assert port.virtual == "Coilwarden"
    assert port.ignored == (False, False, False), "active sensing too"
    assert port.queue_size >= 1024
    port.messages = [(NOTE_ON, 0.0), ([0xFE], 0.25)]
    assert wire.get_message() == (bytes(NOTE_ON), 0.0)
    assert wire.get_message() == (b"\xfe", 0.25)
    assert wire.get_message() is None


def test_who_is_connected_to_a_virtual_port_comes_from_the_kernel(world: World) -> None:
    world.clients[7] = (CLIENT, set())  # a stranger of the same name, there before us
    world.connected(7, "99:0")
    wire = SystemBackend("alsa").open_virtual(CLIENT, "Coilwarden")
    assert wire.peers() == frozenset()
    (port,) = world.named(CLIENT)
    world.connected(port.number, "130:0")
    assert wire.peers() == {"130:0"}
    world.connected(port.number)
    assert wire.peers() == frozenset(), "the DAW died"


def test_two_of_our_inputs_are_told_apart_whatever_their_names(world: World) -> None:
    backend = SystemBackend("alsa")
    one = backend.open_virtual(CLIENT, "one")
    two = backend.open_virtual(CLIENT, "two")
    first, second = world.named(CLIENT)
    world.connected(second.number, "130:0")
    assert (one.peers(), two.peers()) == (frozenset(), {"130:0"})
    assert first.virtual == "one"


def test_sources_are_other_peoples_ports_by_their_address(world: World) -> None:
    backend = SystemBackend("alsa")
    backend.open_virtual(CLIENT, "Coilwarden")
    assert [(s.id, s.name) for s in backend.sources()] == [("20:0", KEYS), ("24:0", PADS)]
    world.errors["get_ports"] = rtmidi.SystemError("busy")
    assert backend.sources() == []
    assert backend.destinations() == []


def test_a_keyboard_pulled_and_put_back(world: World) -> None:
    backend = SystemBackend("alsa")
    wire = backend.open_listener("Coilwarden Keys", "Keys")
    assert wire.get_message() is None
    assert wire.peers() == frozenset()
    assert world.named("Coilwarden Keys") == [], "nothing is open while nothing is there"
    wire.connect(backend.sources()[0])
    (port,) = world.named("Coilwarden Keys")
    assert port.source == KEYS
    assert wire.peers() == {"20:0"}
    port.messages = [(NOTE_ON, 0.0)]
    assert wire.get_message() == (bytes(NOTE_ON), 0.0)
    world.unplug(KEYS)
    assert wire.peers() == frozenset()
    world.hardware.append(KEYS)
    assert wire.peers() == frozenset(), "it does not connect by itself"
    wire.connect(next(s for s in backend.sources() if s.name == KEYS))
    assert port.deleted
    assert wire.peers() == {"20:0"}


def test_a_keyboard_pulled_mid_chord_is_lost_after_what_it_sent_and_comes_back(
    world: World,
) -> None:
    heard: list[bytes | PortState] = []
    wakeups: list[Callable[[], None]] = []
    slot = Slot(
        Input(name="Keys", port_pattern="usb keys"),
        Reader(lambda: 0.0),  # never started: it reads only when the slot makes it
        lambda _at, _name, message: heard.append(message),
        lambda _at, _name, state: heard.append(state),
        wakeups.append,
    )

    def look() -> list[bytes | PortState]:
        heard.clear()
        slot.look(0.0, backend.sources(), ())
        while wakeups:
            wakeups.pop(0)()
        return list(heard)

    backend = SystemBackend("alsa")
    slot.open(backend)
    assert look() == [PortState.CONNECTED]
    world.named("Coilwarden Keys")[0].messages = [(NOTE_ON, 0.0)]
    world.unplug(KEYS)
    assert look() == [bytes(NOTE_ON), PortState.LOST]
    assert look() == []
    world.hardware.append(KEYS)
    assert look() == [PortState.CONNECTED]


def test_a_keyboard_gone_between_look_and_connection_leaves_nothing_open(world: World) -> None:
    backend = SystemBackend("alsa")
    wire = backend.open_listener("Coilwarden Keys", "Keys")
    source = backend.sources()[0]
    world.unplug(KEYS)
    with pytest.raises(MidiPortError, match=rf'"Keys" cannot be opened: "{KEYS}" is no longer'):
        wire.connect(source)
    assert world.named("Coilwarden Keys") == []
    assert wire.get_message() is None
    assert wire.peers() == frozenset()


@pytest.mark.parametrize("call", ["MidiIn", "open_virtual_port"])
@pytest.mark.parametrize("kind", [rtmidi.SystemError, rtmidi.InvalidUseError, SystemError, OSError])
def test_a_port_that_cannot_be_opened_says_which_and_why(
    world: World, call: str, kind: type[Exception]
) -> None:
    backend = SystemBackend("alsa")
    world.errors[call] = kind("no memory for ports")
    with pytest.raises(MidiPortError, match='"Coilwarden" cannot be opened: no memory for ports'):
        backend.open_virtual(CLIENT, "Coilwarden")
    assert world.named(CLIENT) == [], "what was half open is closed"


def test_a_fault_of_our_own_is_not_taken_for_the_systems(world: World) -> None:
    backend = SystemBackend("alsa")
    world.errors["MidiIn"] = KeyError("ours")
    with pytest.raises(KeyError):
        backend.open_virtual(CLIENT, "Coilwarden")


def test_without_the_kernels_list_a_virtual_port_is_unwatched(world: World) -> None:
    backend = SystemBackend("coremidi")
    assert backend.system.virtual_ports
    assert backend.open_virtual(CLIENT, "Coilwarden").peers() is None


def test_without_the_kernels_list_an_unplugged_device_is_one_no_longer_listed(
    world: World,
) -> None:
    backend = SystemBackend("coremidi")
    wire = keys(backend)
    assert wire.peers() == {KEYS}, "its name is its identity there"
    world.unplug(KEYS)
    assert backend.sources()[0].name == PADS
    assert wire.peers() == frozenset()


def test_where_there_are_no_virtual_ports_the_way_out_is_said(world: World) -> None:
    backend = SystemBackend("windows")
    assert not backend.system.virtual_ports
    with pytest.raises(MidiPortError) as said:
        backend.open_virtual(CLIENT, "Coilwarden")
    for words in ("Windows", "loopback MIDI driver", "port_pattern instead of virtual_port"):
        assert words in str(said.value)
    assert backend.system.reason == str(said.value)
    assert world.named(CLIENT) == []
    assert keys(backend).peers() == {KEYS}, "hardware can be listened to all the same"


def test_an_api_that_the_library_lacks_is_named_with_those_it_has(world: World) -> None:
    world.compiled = {API_NUMBERS["jack"], API_NUMBERS["alsa"]}
    with pytest.raises(MidiPortError, match=r'no "coremidi" API \(on \w+ it has: alsa, jack\)'):
        SystemBackend("coremidi")
    world.compiled = set()
    with pytest.raises(MidiPortError, match="it has: none"):
        SystemBackend("alsa")


def test_a_machine_without_the_sequencer_is_told_how_to_load_it(
    world: World, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(system_backend, "ALSA_DEVICE", tmp_path / "none")
    with pytest.raises(MidiPortError, match="modprobe snd-seq") as said:
        open_backend("alsa")
    assert "JACK" in str(said.value)
    assert world.ports == []


def test_a_service_that_does_not_answer_is_said(world: World) -> None:
    world.errors["MidiIn"] = rtmidi.SystemError("error creating client")
    with pytest.raises(MidiPortError, match='"alsa" MIDI API does not answer: error creating'):
        open_backend("alsa")


def test_closing_leaves_no_port_of_ours(world: World) -> None:
    backend = SystemBackend("alsa")
    backend.open_virtual(CLIENT, "Coilwarden")
    wire = keys(backend)
    wire.detach()
    assert len(world.ports) == 3, "two inputs and the one that lists"
    assert backend.health() is Health.ALIVE
    assert backend.destinations() != []
    backend.close()
    assert world.ports == []
    assert wire.get_message() is None
