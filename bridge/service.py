"""The daemon: real clock, real ports, one TaskGroup. Thin shell around the Engine.

Everything happens on the loop's thread: a MIDI message, bytes from a controller, the operator's
act or the timer enters the Engine, and what the Engine has to say is written before anything else
runs. Shutdown order: stop first (tripping the controllers), then confirm, then close ports, then
leave.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import traceback
from collections.abc import Awaitable, Callable, Coroutine, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, cast

import structlog

from bridge import entries
from bridge.clocks import HostS
from bridge.config import SIMULATED_PORT, Config, Controller
from bridge.engine import Act, Engine
from bridge.host_clock import host_now
from bridge.interlock import Cause, Latch, State
from bridge.latch_store import LatchStore
from bridge.link.breaks import BREAK_S
from bridge.link.outbox import Outgoing
from bridge.link.transport import LINE_ERRORS, LinkError, Transport, open_serial
from bridge.midi_ports import MidiInputs, MidiPortError, PortState
from bridge.records import LatchChanged, Record
from bridge.source import ScoreFeed, VoiceSource
from bridge.stops.condition import Condition
from bridge.watcher import Watcher, Watchers

OpenPort = Callable[[Controller], Awaitable[Transport]]
RETRY_S = (0.43, 0.97, 1.9)
"""Waits between attempts to open a port; the last one repeats."""
AGAIN_S = 0.02
"""After an error that came again while stopping."""
STOP_WAIT_S = 0.4
"""How long leaving waits for every controller to confirm the stop."""

log = structlog.get_logger("coilwarden")


async def open_port(controller: Controller) -> Transport:
    """The controller's serial port. Raises LinkError."""
    if controller.port == SIMULATED_PORT:
        raise LinkError(
            f"{controller.name}: the port is simulated; this command needs real ports, or "
            "`coilwarden demo`"
        )
    return await open_serial(controller.port, controller.baud)


class Service:
    """One running site. `watchers` see everything after it has taken effect."""

    def __init__(
        self,
        config: Config,
        source: VoiceSource,
        *,
        open_port: OpenPort = open_port,
        latch_store: LatchStore | None = None,
        watchers: Iterable[Watcher] = (),
        with_midi: bool = True,
    ) -> None:
        self.config = config
        self.store = latch_store or LatchStore(config)
        self.engine = Engine(config, source, self.store.load())
        self.midi: MidiInputs | None = None
        self.watchers = Watchers(watchers, self._complain)
        self._show = source if isinstance(source, ScoreFeed) else None
        self._open_port = open_port
        self._with_midi = with_midi
        self._transports: dict[str, Transport] = {}
        self._timer: asyncio.TimerHandle | None = None
        self._leaving = asyncio.Event()
        self._breaks: set[asyncio.Task[None]] = set()
        self._breaking: set[str] = set()
        self._complained_s: float = -math.inf
        # One thread, so that latches reach the disk in the order they were latched.
        self._saver = ThreadPoolExecutor(1, "latch")

    # -- what the outside may do --------------------------------------------------------------

    def act(self, act: Act, by: str = "") -> None:
        """One of the operator's acts, and who does it."""
        self._guarded(entries.Acted(host_now(), act, by))

    def source_changed(self) -> None:
        """The source was told something by its own command."""
        commands = tuple(self.engine.source.take_commands())
        self._guarded(entries.SourceTold(host_now(), commands))

    def stop(self, cause: Cause, detail: str = "", by: str = "") -> None:
        """Stops everything now."""
        self._guarded(entries.Stopped(host_now(), cause, "", detail, by))

    def stop_input(self, name: str, condition: Condition, detail: str) -> None:
        """A stop beside the controllers' own is found so."""
        self._guarded(entries.StopInput(host_now(), name, condition, detail))

    def hold(self, held: bool) -> None:
        """The dead man's switch is held (to be said again while it is), or let go."""
        self._guarded(entries.Hold(host_now(), held))

    def proven(self, unproven: tuple[str, ...]) -> None:
        """Which stops have no proof of today's date."""
        self._guarded(entries.Proven(host_now(), unproven))

    def object_to_arming(self, source: str, found: str, remedy: str) -> None:
        """Somebody objects to arming, or (found is "") no more."""
        self._guarded(entries.Objection(host_now(), source, found, remedy))

    def leave(self) -> None:
        """Ends `run`: stop first, then leave."""
        self._leaving.set()

    def midi_in(self, arrived_s: HostS, input_name: str, message: bytes) -> None:
        """A MIDI message, from the ports or from whatever plays into the site."""
        self._guarded(entries.Midi(host_now(), input_name, message, arrived_s), may_wait=True)

    # -- running ------------------------------------------------------------------------------

    async def run(self) -> None:
        """Runs until `leave`. Raises MidiPortError where an input cannot be had."""
        asyncio.get_running_loop().set_exception_handler(self._unhandled)
        try:
            async with asyncio.TaskGroup() as group:
                links = [
                    group.create_task(self._stop_first(self._keep_link(c)), name=f"link {c.name}")
                    for c in self.config.controller
                ]
                group.create_task(self._stop_first(self._run_inputs()), name="MIDI inputs")
                await self._leaving.wait()
                await self._stop_and_confirm()
                for task in links:
                    task.cancel()
        finally:
            # Cancelled from outside: the stop still goes first.
            if self.engine.interlock.state in (State.ARMED, State.ARMING):
                self.stop(Cause.HOST_FAULT, "the daemon ended unexpectedly")
            self._cancel_timer()
            for transport in self._transports.values():
                transport.close()
            self._transports.clear()
            self._saver.shutdown()  # what was latched is on disk before `run` returns

    async def _stop_first(self, work: Coroutine[Any, Any, None]) -> None:
        """A task that dies stops the site before its end ends the others."""
        try:
            await work
        except Exception as error:
            if self.engine.interlock.state in (State.ARMED, State.ARMING):
                self.stop(Cause.HOST_FAULT, repr(error))
            raise

    async def _run_inputs(self) -> None:
        if not self._with_midi or not self.config.input:
            await self._leaving.wait()
            return
        async with MidiInputs(self.config.input, self.midi_in, self._input_changed) as inputs:
            self.midi = inputs
            await self._leaving.wait()

    async def _stop_and_confirm(self) -> None:
        if self.engine.interlock.state in (State.ARMED, State.ARMING):
            self.stop(Cause.SIGNAL_STOP, "leaving", "the daemon")
        until = host_now() + STOP_WAIT_S
        while host_now() < until:
            waiting = [n for n in self._transports if self.engine.sessions[n].stopping]
            if not waiting and not self._breaks:
                return
            await asyncio.sleep(0.005)

    async def _keep_link(self, controller: Controller) -> None:
        name, attempt = controller.name, 0
        while True:
            try:
                transport = await self._open_port(controller)
            except LinkError as error:
                self._guarded(entries.LinkDown(host_now(), name, str(error)))
                await asyncio.sleep(RETRY_S[min(attempt, len(RETRY_S) - 1)])
                attempt += 1
                continue
            attempt = 0
            lost: asyncio.Future[str] = asyncio.get_running_loop().create_future()
            self._attach(name, transport, lost)
            why = await lost  # cancelled or failed: `run` stops first and closes then
            # Popped before closing: from here on nothing is written to it.
            if self._transports.get(name) is transport:
                del self._transports[name]
            transport.close()
            self._guarded(entries.LinkDown(host_now(), name, f"link lost: {why}"))
            await asyncio.sleep(RETRY_S[0])

    def _attach(self, name: str, transport: Transport, lost: asyncio.Future[str]) -> None:
        def on_data(data: bytes) -> None:
            self._guarded(entries.Received(host_now(), name, data))

        def on_lost(why: str) -> None:
            if not lost.done():
                lost.set_result(why)

        transport.on_data, transport.on_lost = on_data, on_lost
        self._transports[name] = transport
        self._guarded(entries.LinkUp(host_now(), name))

    def _input_changed(self, at_s: HostS, input_name: str, state: PortState) -> None:
        present = state not in (PortState.LOST, PortState.ABSENT)
        status = self.midi.status.get(input_name) if self.midi else None
        note = f": {status.note}" if status and status.note else ""
        text = f"{state.value}{note}"
        self._guarded(entries.InputChange(host_now(), input_name, present, text))

    # -- the one way in and out ---------------------------------------------------------------

    def _guarded(self, entry: entries.Entry, *, may_wait: bool = False) -> None:
        """Makes one entry into the Engine and does all it leads to; an error is a trip.

        `may_wait`: what it leads to may wait until a line has room (in a flood of notes).
        """
        if self._show is not None and (heard := tuple(self.engine.source.take_commands())):
            self.watchers.entered(entries.SourceHeard(entry.at_s, heard))
        self.watchers.entered(entry)
        try:
            entry.enter(self.engine)
            now_s = host_now()
            busy_until_s = self.engine.busy_until_s(now_s) if may_wait else now_s
            if busy_until_s > now_s:
                self._wake_by(busy_until_s)
            else:
                self._pump()
        except Exception as error:
            try:
                if not self.engine.is_tripped_by(Cause.HOST_FAULT):
                    self._trip(repr(error))
            except Exception:
                self._complain("the error came again while stopping")
            try:
                self._pump()
            except Exception:
                # What cannot be told is not renewed either: its lease ends in silence.
                self._complain("the error came again while telling the controllers")
            self._complain("unexpected error: stopped")
            # A little later, so that an error that lasts does not eat the loop.
            self._cancel_timer()
            self._timer = asyncio.get_running_loop().call_later(AGAIN_S, self._on_timer)
        self.watchers.pass_on(host_now(), self.engine)

    def _trip(self, detail: str) -> None:
        """Trips for a fault of this shell's own, from within an entry."""
        fault = entries.Stopped(host_now(), Cause.HOST_FAULT, "", detail, "")
        self.watchers.entered(fault)
        fault.enter(self.engine)

    def _complain(self, what: str) -> None:
        """The error being handled, at most once a second."""
        now_s = host_now()
        if now_s - self._complained_s > 1.0:
            self._complained_s = now_s
            with contextlib.suppress(Exception):  # a dead log must not keep a stop back
                log.error(what, error=traceback.format_exc())

    def _unhandled(self, running: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Any error that nobody caught, in any callback or task of the loop, is a trip.

        A line that fails tells so here from within its own write, before it counts as closed: a
        stop from here would write to it again, and so on, while the other boards wait.
        """
        error = context.get("exception")
        line = context.get("protocol")
        if any(line is transport for transport in self._transports.values()):
            cast(Transport, line).on_lost(str(error))
            return
        self.stop(Cause.HOST_FAULT, repr(error) if error else str(context.get("message")))
        with contextlib.suppress(Exception):
            log.error("unhandled error", what=context.get("message"), error=repr(error))

    def _pump(self) -> None:
        while records := self.engine.take_records():
            self._before_writing(records)
            self._write_all()
            self._after_writing(records)
        self._write_all()
        self._set_timer()

    def _before_writing(self, records: Sequence[Record]) -> None:
        """Permission is on disk before it is on the wire: the loop waits for it, still locked."""
        latch = self.engine.interlock.latch
        if latch.state is State.ARMING and any(isinstance(r, LatchChanged) for r in records):
            try:
                self._saver.submit(self.store.save, latch).result()
            except OSError as error:
                self._trip(f"the latch cannot be written to {self.store.path}: {error.strerror}")

    def _after_writing(self, records: Sequence[Record]) -> None:
        """A stop is on the wire before it is on disk, and repeated while the disk is written."""
        at_s = host_now()
        latch = self.engine.interlock.latch
        if latch.state is not State.ARMING and any(isinstance(r, LatchChanged) for r in records):
            self._saver.submit(self._save, latch)
        for record in records:
            self.watchers.recorded(at_s, record)

    def _save(self, latch: Latch) -> None:
        """On the saving thread."""
        try:
            self.store.save(latch)
        except OSError as error:
            log.error("latch not saved", path=str(self.store.path), error=str(error))

    def _write_all(self) -> None:
        """One controller's failure must not keep a stop from the others."""
        failure: Exception | None = None
        for name, transport in tuple(self._transports.items()):
            if name in self._breaking:
                continue
            try:
                asked = entries.Collect(host_now(), name, transport.unsent_bytes())
                self.watchers.entered(asked)
                out = asked.enter(self.engine)
            except Exception as error:
                failure = error
                continue
            if out is None:
                continue
            try:
                self._write(name, transport, out)
            except LINE_ERRORS as error:
                transport.on_lost(str(error))
        if failure is not None:
            raise failure

    def _write(self, name: str, transport: Transport, out: Outgoing) -> None:
        if out.discard:
            # Bytes that cannot be thrown away keep no stop back.
            with contextlib.suppress(*LINE_ERRORS):
                transport.discard_unsent()
        if out.data:
            transport.write(out.data)
        self.watchers.wrote(host_now(), name, out)
        if out.line_break:
            task = asyncio.get_running_loop().create_task(self._break(name, transport))
            self._breaks.add(task)
            task.add_done_callback(self._breaks.discard)

    async def _break(self, name: str, transport: Transport) -> None:
        """After the bytes before it have left, holds the line low; nothing is written meanwhile."""
        session = self.engine.sessions[name]
        unsent_bytes = session.outbox.unsent_bytes(host_now(), 0)
        await asyncio.sleep(unsent_bytes * 10 / session.baud + 0.001)
        self._breaking.add(name)
        try:
            with contextlib.suppress(OSError):
                await transport.send_break(BREAK_S)
        finally:
            self._breaking.discard(name)
        if self._transports.get(name) is transport:
            self._guarded(entries.BreakDone(host_now(), name))

    def _on_timer(self) -> None:
        self._timer = None
        self._guarded(entries.Advance(host_now()))

    def _set_timer(self) -> None:
        self._wake_by(self.engine.next_deadline_s())

    def _wake_by(self, due_s: HostS) -> None:
        if self._timer is not None:
            if self._timer.when() <= due_s:
                return
            self._timer.cancel()
            self._timer = None
        if due_s < math.inf:
            self._timer = asyncio.get_running_loop().call_at(due_s, self._on_timer)

    def _cancel_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


__all__ = ["MidiPortError", "Service", "open_port"]
