"""One input and its states, on a wire that the test plays by hand; nothing runs by itself."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.config import Input
from bridge.midi.parts import (
    Health,
    MidiPortError,
    MidiSystem,
    PortState,
    Source,
)
from bridge.midi.reader import Reader
from bridge.midi.slot import Slot

DAW = frozenset({"daw:out"})
NOTE_ON = b"\x90\x3c\x64"
KEYS = Source("keys:out", "keys:out")


class FakeWire:
    """Holds unread messages and connected peers; None: this system does not tell."""

    def __init__(self) -> None:
        self.unread: list[bytes] = []
        self.connected: frozenset[str] | None = frozenset()

    def get_message(self) -> tuple[bytes, float] | None:
        return (self.unread.pop(0), 0.0) if self.unread else None

    def connect(self, source: Source) -> None:
        self.connected = frozenset({source.id})

    def peers(self) -> frozenset[str] | None:
        return self.connected

    def detach(self) -> None:
        self.connected = frozenset()

    def close(self) -> None: ...


class FakeBackend:
    system = MidiSystem("fake", True, "")

    def __init__(self, refusal: str = "") -> None:
        self.wire = FakeWire()
        self.refusal = refusal

    def health(self) -> Health:
        return Health.ALIVE

    def reopen(self) -> bool:
        return True

    def sources(self) -> list[Source]:
        return []

    def destinations(self) -> list[str]:
        return []

    def open_virtual(self, client: str, port: str) -> FakeWire:
        if self.refusal:
            raise MidiPortError(self.refusal)
        return self.wire

    def open_listener(self, client: str, port: str) -> FakeWire:
        return self.wire

    def close(self) -> None: ...


class Bench:
    def __init__(self, config: Input) -> None:
        self.events: list[bytes | PortState] = []
        wakeups: list[Callable[[], None]] = []
        self._wakeups = wakeups
        self.backend = FakeBackend()
        self.slot = Slot(
            config,
            Reader(lambda: 0.0),  # never started: it reads only when the slot makes it
            lambda _at, _name, message: self.events.append(message),
            lambda _at, _name, state: self.events.append(state),
            wakeups.append,
        )
        self.slot.open(self.backend)

    @property
    def wire(self) -> FakeWire:
        return self.backend.wire

    def look(self, peers: frozenset[str] | None) -> list[bytes | PortState]:
        self.wire.connected = peers
        self.slot.look(0.0, None, ())
        return self.heard()

    def heard(self) -> list[bytes | PortState]:
        for wakeup in self._wakeups:
            wakeup()
        self._wakeups.clear()
        events, self.events[:] = list(self.events), []
        return events


VIRTUAL = Input(name="DAW", virtual_port="Coilwarden")
HARDWARE = Input(name="Keys", port_pattern="keys")


def test_what_a_lost_sender_had_sent_stands_before_its_loss() -> None:
    bench = Bench(VIRTUAL)
    assert bench.look(DAW) == [PortState.CONNECTED]
    bench.wire.unread = [NOTE_ON, NOTE_ON]
    assert bench.look(frozenset()) == [NOTE_ON, NOTE_ON, PortState.LOST]


def test_a_system_that_does_not_tell_is_said_to_be_unwatched() -> None:
    bench = Bench(VIRTUAL)
    assert bench.look(None) == [PortState.UNWATCHED]
    assert bench.look(None) == []
    assert bench.slot.status.state is PortState.UNWATCHED


def test_a_service_that_goes_away_loses_who_was_there_and_nobody_else() -> None:
    bench = Bench(VIRTUAL)
    assert bench.look(frozenset()) == [PortState.LISTENING]
    bench.slot.lose(0.0)
    assert bench.heard() == [PortState.ABSENT]
    assert bench.look(DAW) == [PortState.CONNECTED]
    for _ in range(3):
        bench.slot.lose(0.0)
    assert bench.heard() == [PortState.LOST]
    assert bench.look(None) == [PortState.UNWATCHED]
    bench.slot.lose(0.0)
    assert bench.heard() == [PortState.LOST]


def test_hardware_is_watched_by_the_port_it_was_connected_to() -> None:
    bench = Bench(HARDWARE)
    bench.slot.look(0.0, [], ())
    assert bench.heard() == []
    bench.slot.look(0.0, [KEYS], ())
    assert bench.heard() == [PortState.CONNECTED]
    # Somebody else connected by hand: neither a gain, nor a stand-in for the one that went.
    assert bench.look(frozenset({"keys:out", "other:out"})) == []
    assert bench.look(frozenset({"other:out"})) == [PortState.LOST]
    bench.slot.look(0.0, [KEYS], ())
    assert bench.heard() == [PortState.CONNECTED]


def test_a_port_that_cannot_be_opened_says_why_in_its_status() -> None:
    bench = Bench(VIRTUAL)
    bench.slot.forget()
    bench.backend.refusal = "no more ports"
    with pytest.raises(MidiPortError, match="no more ports"):
        bench.slot.open(bench.backend)
    assert bench.slot.status.note == "no more ports"
    assert not bench.slot.is_open
