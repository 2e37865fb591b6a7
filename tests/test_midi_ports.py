"""The MIDI input ports on a real JACK server, against a sender in another process.

The sender speaks through python-rtmidi and JACK; what it says it sent is the reference.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Awaitable, Callable

import pytest

from bridge.config import Input
from bridge.midi_ports import MidiInputs, MidiPortError, PortState, list_ports, midi_system
from tests.daw import Daw, counted
from tests.jack import JackServer, jack_server

__all__ = ["jack_server"]

VIRTUAL = Input(name="DAW", virtual_port="Coilwarden")
KEYS = Input(name="Keys", port_pattern="usb keys")
TO_US = ("--to", "Coilwarden DAW")


class Heard:
    """What the inputs delivered, in order, and from which thread."""

    def __init__(self) -> None:
        self.messages: list[tuple[float, str, bytes]] = []
        self.changes: list[tuple[float, str, PortState]] = []
        self.events: list[bytes | PortState] = []
        self.threads: set[int] = set()

    def on_message(self, arrival_s: float, name: str, message: bytes) -> None:
        self.messages.append((arrival_s, name, message))
        self.events.append(message)
        self.threads.add(threading.get_ident())

    def on_change(self, at_s: float, name: str, state: PortState) -> None:
        self.changes.append((at_s, name, state))
        self.events.append(state)
        self.threads.add(threading.get_ident())

    def states(self, name: str) -> list[PortState]:
        return [state for _, who, state in self.changes if who == name]

    def bytes(self) -> list[bytes]:
        return [message for _, _, message in self.messages]


async def until(condition: Callable[[], bool], timeout_s: float = 10.0) -> None:
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline_s, "it did not come to that"
        await asyncio.sleep(0.005)


def playing(
    scene: Callable[[MidiInputs, Heard], Awaitable[None]], *inputs: Input
) -> tuple[MidiInputs, Heard]:
    """Runs the scene with open inputs; returns them closed."""
    heard = Heard()
    midi = MidiInputs(inputs, heard.on_message, heard.on_change)

    async def run() -> None:
        async with midi:
            await scene(midi, heard)

    asyncio.run(run())
    return midi, heard


@pytest.mark.real
@pytest.mark.alone
def test_a_note_arrives_with_its_bytes_and_its_time(jack_server: JackServer) -> None:
    async def scene(_: MidiInputs, heard: Heard) -> None:
        with Daw(*TO_US, "--message", "0:90,3c,64", "--message", "0.1:80,3c,00") as daw:
            await until(lambda: len(heard.messages) == 2)
            await until(lambda: daw.done)
            assert heard.bytes() == [message for _, message in daw.sent]
            for (arrival_s, name, _), (sent_s, _) in zip(heard.messages, daw.sent, strict=True):
                assert name == "DAW"
                assert sent_s < arrival_s < sent_s + 1.0

    _, heard = playing(scene, VIRTUAL)
    assert heard.bytes() == [b"\x90\x3c\x64", b"\x80\x3c\x00"]
    assert heard.threads == {threading.get_ident()}


@pytest.mark.real
@pytest.mark.alone
def test_everything_passes_active_sensing_timing_and_sysex_too(jack_server: JackServer) -> None:
    # Status bytes: MIDI 1.0 Detailed Specification, system messages (from memory).
    full_frame = "f0,7f,7f,01,01,21,02,03,04,f7"
    wanted = ["fe", "f8", "f1,12", full_frame, "e0,00,40", "c3,05"]
    arguments = [part for text in wanted for part in ("--message", f"0:{text}")]

    async def scene(_: MidiInputs, heard: Heard) -> None:
        with Daw(*TO_US, *arguments):
            await until(lambda: len(heard.messages) == len(wanted))

    _, heard = playing(scene, VIRTUAL)
    assert [message.hex(",") for message in heard.bytes()] == wanted


@pytest.mark.real
@pytest.mark.alone
def test_the_virtual_port_shows_under_its_configured_name(jack_server: JackServer) -> None:
    async def scene(midi: MidiInputs, heard: Heard) -> None:
        with Daw("--list") as other:
            await asyncio.to_thread(other.wait)
            assert "Coilwarden DAW:Lantern coils" in other.said[0]["ports"]
        await until(lambda: heard.states("DAW") == [PortState.LISTENING])
        assert midi.status["DAW"].state is PortState.LISTENING

    playing(scene, Input(name="DAW", virtual_port="Lantern coils"))


@pytest.mark.real
@pytest.mark.alone
def test_hardware_is_found_lost_and_found_again(jack_server: JackServer) -> None:
    note = ("--message", "0.8:90,40,50")

    async def scene(midi: MidiInputs, heard: Heard) -> None:
        assert midi.status["Keys"].state is PortState.ABSENT
        with Daw("--virtual", "USB Keys 1"):
            await until(lambda: heard.states("Keys") == [PortState.CONNECTED])
        await until(lambda: heard.states("Keys")[1:] == [PortState.LOST])
        with Daw("--virtual", "USB Keys 1", *note):
            await until(lambda: heard.states("Keys")[2:] == [PortState.CONNECTED])
            assert midi.status["Keys"].peers == ("Test DAW:USB Keys 1",)
            await until(lambda: heard.bytes() == [b"\x90\x40\x50"])

    playing(scene, KEYS)


@pytest.mark.real
@pytest.mark.alone
def test_a_killed_daw_is_lost_within_two_seconds_after_what_it_sent(
    jack_server: JackServer,
) -> None:
    async def scene(_: MidiInputs, heard: Heard) -> None:
        for _ in range(2):  # a second DAW is noticed like the first
            heard.events.clear()
            with Daw(*TO_US, "--hold", "60,64,67") as daw:
                await until(lambda: daw.done and len(heard.events) == 4)
                killed_s = time.monotonic()
                daw.kill()
                await until(lambda: PortState.LOST in heard.events, timeout_s=2.0)
                assert heard.changes[-1][0] < killed_s + 2.0
            chord = [bytes((0x90, note, 100)) for note in (60, 64, 67)]
            assert heard.events == [PortState.CONNECTED, *chord, PortState.LOST]

    playing(scene, VIRTUAL)


@pytest.mark.real
@pytest.mark.alone
def test_one_of_two_daws_lost_is_a_loss_though_the_other_stays(jack_server: JackServer) -> None:
    async def scene(midi: MidiInputs, heard: Heard) -> None:
        with (
            Daw(*TO_US, "--client", "One", "--stay"),
            Daw(*TO_US, "--client", "Two", "--stay") as b,
        ):
            await until(lambda: len(midi.status["DAW"].peers) == 2)
            b.kill()
            await until(lambda: PortState.LOST in heard.events)
            await until(lambda: heard.states("DAW")[-1] is PortState.CONNECTED)
            assert midi.status["DAW"].peers == ("One:out",)

    playing(scene, VIRTUAL)


@pytest.mark.real
@pytest.mark.alone
def test_an_ambiguous_pattern_takes_the_first_by_name_and_says_so(jack_server: JackServer) -> None:
    async def scene(midi: MidiInputs, heard: Heard) -> None:
        with Daw("--client", "B", "--virtual", "keys"), Daw("--client", "A", "--virtual", "keys"):
            # Both have to be there before the look that decides.
            await until(lambda: len([p for p in list_ports() if p.direction == "sends"]) == 2)
            async with MidiInputs(
                [Input(name="Keys", port_pattern="KEYS$")], heard.on_message, heard.on_change
            ) as keys:
                status = keys.status["Keys"]
                assert status.peers == ("A:keys",)
                assert '"A:keys", "B:keys"; using "A:keys"' in status.note

    playing(scene)


@pytest.mark.real
@pytest.mark.alone
def test_a_pattern_never_finds_our_own_ports(jack_server: JackServer) -> None:
    async def scene(midi: MidiInputs, heard: Heard) -> None:
        await asyncio.sleep(0.7)  # one search more
        assert midi.status["All"].state is PortState.ABSENT
        assert heard.states("DAW") == [PortState.LISTENING]

    playing(scene, VIRTUAL, Input(name="All", port_pattern=""".*"""))


@pytest.mark.real
@pytest.mark.alone
def test_a_flood_arrives_whole_and_in_order_while_the_interpreter_is_busy(
    jack_server: JackServer,
) -> None:
    count = 5000
    stop = threading.Event()

    def burn() -> None:
        while not stop.is_set():
            sum(range(10_000))

    async def scene(_: MidiInputs, heard: Heard) -> None:
        with Daw(*TO_US, "--flood", str(count), "--rate", "3000"):
            await until(lambda: len(heard.messages) >= count, timeout_s=15)
            await asyncio.sleep(0.1)  # nothing may come twice

    busy = threading.Thread(target=burn)
    busy.start()
    try:
        midi, heard = playing(scene, VIRTUAL)
    finally:
        stop.set()
        busy.join()
    assert heard.bytes() == [bytes(counted(number)) for number in range(count)]
    assert midi.status["DAW"].dropped == 0
    times = [arrival_s for arrival_s, _, _ in heard.messages]
    assert times == sorted(times)


@pytest.mark.real
@pytest.mark.alone
def test_nothing_is_delivered_after_close_and_no_thread_is_left(jack_server: JackServer) -> None:
    async def scene() -> None:
        heard = Heard()
        midi = MidiInputs([VIRTUAL], heard.on_message, heard.on_change)
        await midi.start()
        with Daw(*TO_US, "--flood", "100000", "--rate", "3000"):
            await until(lambda: len(heard.messages) > 100)
            # A loop that was busy has messages waiting for it when it comes to the close.
            time.sleep(0.2)  # noqa: ASYNC251
            count = len(heard.events)
            await midi.close()
            await asyncio.sleep(0.2)
            assert len(heard.events) == count
        assert not [t.name for t in threading.enumerate() if t.name.startswith("midi-")]
        assert not [port.name for port in list_ports() if "Coilwarden" in port.name]

    asyncio.run(scene())


@pytest.mark.real
@pytest.mark.alone
def test_a_server_that_dies_is_a_loss_and_its_return_is_taken_up(jack_server: JackServer) -> None:
    async def scene(midi: MidiInputs, heard: Heard) -> None:
        with Daw(*TO_US, "--stay"), Daw("--client", "Board", "--virtual", "USB keys"):
            await until(lambda: {s.state for s in midi.status.values()} == {PortState.CONNECTED})
            jack_server.kill()
            await until(lambda: {s.state for s in midi.status.values()} == {PortState.LOST}, 2.0)
        await asyncio.to_thread(jack_server.start)
        with Daw(*TO_US, "--hold", "60"), Daw("--client", "Board", "--virtual", "USB keys"):
            await until(lambda: {s.state for s in midi.status.values()} == {PortState.CONNECTED})
            await until(lambda: heard.bytes() == [b"\x90\x3c\x64"])

    playing(scene, VIRTUAL, KEYS)


@pytest.mark.real
@pytest.mark.alone
def test_a_server_that_freezes_is_a_loss_until_it_thaws(jack_server: JackServer) -> None:
    async def scene(_: MidiInputs, heard: Heard) -> None:
        with Daw(*TO_US, "--stay"):
            await until(lambda: heard.states("DAW")[1:] == [PortState.CONNECTED])
            jack_server.freeze()
            await until(lambda: heard.states("DAW")[2:] == [PortState.LOST], 2.0)
            jack_server.thaw()
            await until(lambda: heard.states("DAW")[3:] == [PortState.CONNECTED])

    playing(scene, VIRTUAL)


@pytest.mark.real
@pytest.mark.alone
def test_closing_does_not_wait_for_a_frozen_server(jack_server: JackServer) -> None:
    async def scene(_: MidiInputs, heard: Heard) -> None:
        jack_server.freeze()
        await asyncio.sleep(0.2)

    playing(scene, VIRTUAL)  # raises if a thread hangs
    assert not [t.name for t in threading.enumerate() if t.name.startswith("midi-")]


@pytest.mark.real
@pytest.mark.alone
def test_ports_are_listed_with_direction_and_api(jack_server: JackServer) -> None:
    async def scene(_: MidiInputs, __: Heard) -> None:
        with Daw("--client", "Board", "--virtual", "USB keys", "--stay") as board:
            await until(lambda: board.done)
            listed = [(port.name, port.direction, port.api) for port in list_ports()]
            assert ("Board:USB keys", "sends", "jack") in listed
            assert ("Coilwarden DAW:Coilwarden", "receives", "jack") in listed
            assert midi_system().virtual_ports

    playing(scene, VIRTUAL)


async def opened(*inputs: Input, api: str | None = None) -> None:
    async with MidiInputs(inputs, lambda *_: None, lambda *_: None, api=api):
        pass


@pytest.mark.parametrize(
    ("variable", "said"),
    [
        ("tuba", r'COILWARDEN_MIDI_API is "tuba"; allowed: alsa, coremidi, jack, windows'),
        ("jack", r'no JACK server named "cw-nobody" answers: start one'),
    ],
)
def test_an_api_that_cannot_be_had_is_said_with_the_way_out(
    monkeypatch: pytest.MonkeyPatch, variable: str, said: str
) -> None:
    monkeypatch.setenv("COILWARDEN_MIDI_API", variable)
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "cw-nobody")
    with pytest.raises(MidiPortError, match=said):
        asyncio.run(opened(VIRTUAL))
    with pytest.raises(MidiPortError, match=said):
        list_ports()
    assert not [t.name for t in threading.enumerate() if t.name.startswith("midi-")]
