"""MIDI input ports for the asyncio loop: virtual ports, hardware by pattern, hot-plug, loss.

    async with MidiInputs(config.input, on_message, on_change) as inputs:
        ...

Two threads stand behind it. `midi-read` moves messages from the MIDI library's queues to the
loop. `midi-watch` opens ports, looks who is connected and says when a sender is gone. Both end
in `close`, and after it nothing is delivered. Neither can be held up by the loop, nor hold it up,
with one exception: opening a port holds the interpreter (12 to 37 ms measured with JACK, and up
to 0.5 s while its server was still clearing up after a client that was killed). Ports are opened
at the start and when a JACK server has come back; plugging and unplugging opens nothing there.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self, TypeVar

from bridge.clocks import HostS
from bridge.config import Input
from bridge.host_clock import host_now
from bridge.midi.backends import open_backend
from bridge.midi.parts import (
    Backend,
    MidiPortError,
    MidiSystem,
    PortInfo,
    PortState,
    PortStatus,
)
from bridge.midi.reader import POLL_S, Reader
from bridge.midi.slot import Slot
from bridge.midi.watch import Watch

__all__ = [
    "MidiInputs",
    "MidiPortError",
    "MidiSystem",
    "PortInfo",
    "PortState",
    "PortStatus",
    "list_ports",
    "midi_system",
]

_Answer = TypeVar("_Answer")

CLOSE_TIMEOUT_S = 5.0


class MidiInputs:
    """The configured inputs, from `start` to `close`.

    `on_message(arrival_s, input_name, message)` and `on_change(at_s, input_name, state)` are
    called on the loop's thread, in order for each input; a state change stands behind every
    message that came before it. `arrival_s` is by `clock`: see `bridge.midi.reader.arrival`.
    Messages are whole MIDI messages, active sensing, timing and system exclusive (to 256 bytes)
    included. Under a flood messages that cannot end sound are dropped and counted: see
    `bridge.midi.mailbox`.
    """

    def __init__(
        self,
        inputs: Sequence[Input],
        on_message: Callable[[HostS, str, bytes], None],
        on_change: Callable[[HostS, str, PortState], None],
        *,
        clock: Callable[[], HostS] = host_now,
        rescan_s: float = 0.53,
        watch_s: float = 0.109,
        poll_s: float = POLL_S,
        api: str | None = None,
    ) -> None:
        """`rescan_s`: between looks for hardware and tries to reopen. `watch_s`: between looks
        at who is connected. `poll_s`: between looks for messages. `api`: as the environment's
        COILWARDEN_MIDI_API, over which it goes."""
        self._inputs = tuple(inputs)
        self._on_message = on_message
        self._on_change = on_change
        self._clock = clock
        self._rescan_s = rescan_s
        self._watch_s = watch_s
        self._poll_s = poll_s
        self._api = api
        self._slots: dict[str, Slot] = {}
        self._watch: Watch | None = None

    async def start(self) -> None:
        """Opens what can be opened now. Raises MidiPortError if there is no MIDI service or a
        virtual port cannot be had; absent hardware is no error, it is waited for."""
        if self._watch is not None:
            raise RuntimeError("MidiInputs was started before")
        if not self._inputs:
            return
        loop = asyncio.get_running_loop()
        reader = Reader(self._clock, self._poll_s)
        for config in self._inputs:
            self._slots[config.name] = Slot(
                config, reader, self._on_message, self._on_change, loop.call_soon_threadsafe
            )
        self._watch = Watch(
            list(self._slots.values()),
            reader,
            self._clock,
            rescan_s=self._rescan_s,
            watch_s=self._watch_s,
            api=self._api,
        )
        ready: asyncio.Future[None] = loop.create_future()

        def settle(error: BaseException | None) -> None:
            if ready.done():
                return
            if error is None:
                ready.set_result(None)
            else:
                ready.set_exception(error)

        self._watch.start(lambda error: loop.call_soon_threadsafe(settle, error))
        try:
            await ready
        except BaseException:
            await self.close()
            raise

    @property
    def status(self) -> dict[str, PortStatus]:
        """By input name; may be read at any time from the loop's thread."""
        return {name: slot.status for name, slot in self._slots.items()}

    async def close(self) -> None:
        """Closes every port and ends the threads; nothing is delivered once this is called.

        Raises MidiPortError if the MIDI service holds a thread for more than five seconds; the
        thread is then left behind, without a way to deliver anything.
        """
        for slot in self._slots.values():
            slot.mailbox.close()
        if self._watch is not None:
            watch, self._watch = self._watch, None
            if not await asyncio.to_thread(watch.stop, CLOSE_TIMEOUT_S):
                raise MidiPortError("the MIDI service does not answer; its ports are left open")

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()


def _asked(question: Callable[[Backend], _Answer], api: str | None) -> _Answer:
    backend = open_backend(api)
    try:
        return question(backend)
    finally:
        backend.close()


def midi_system(api: str | None = None) -> MidiSystem:
    """Which MIDI service would be used here, and whether it has virtual ports. Raises
    MidiPortError if there is none."""
    return _asked(lambda backend: backend.system, api)


def list_ports(api: str | None = None) -> list[PortInfo]:
    """Other people's MIDI ports, senders first, each kind sorted by name. Raises MidiPortError."""

    def ports(backend: Backend) -> list[PortInfo]:
        name = backend.system.api
        sends = [PortInfo(s.name, "sends", name, s.aliases) for s in backend.sources()]
        receives = [PortInfo(d, "receives", name) for d in backend.destinations()]
        return sorted(sends, key=lambda p: p.name) + sorted(receives, key=lambda p: p.name)

    return _asked(ports, api)
