"""The controller, simulated to the tick: bytes and inputs in, pulses and frames out.

A model of PROTOCOL.md that any other controller can be compared with. Pure and discrete: it never
reads a clock; every call says at which tick it happens. Ticks are extended (they never wrap); the
wire shows them modulo 2**32. The parts: frames (`simulated_frames`), permission, inputs, rules,
scheduler and guard (the `simulated_*` files beside this one). This file keeps time and order:
at one tick inputs and received frames come first, then leases, queued frames, the end of the horn,
pulses (lowest output first) and last the status.
"""

from __future__ import annotations

from collections.abc import Mapping

from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.framing import Frame

from .simulated_frames import FrameHandling
from .simulated_permission import MAY_FIRE, Event
from .simulated_scheduler import OutputScheduler
from .simulated_settings import (
    FOREVER,
    MAX_GUARD_REFUSALS,
    STATUS_TICKS,
    TICKS_PER_MS,
    BoardMemory,
    BoardSettings,
    Pulse,
)

__all__ = ["BoardMemory", "BoardSettings", "Pulse", "SimulatedController"]


class SimulatedController(FrameHandling):
    """One board from power-on, through any number of resets.

    Every method that takes a tick first lives through everything before it. Ticks must not fall;
    an earlier one raises ValueError. A call at tick T leaves the rest of T (leases, pulses, the
    status) to the next call, so that several things may happen at one tick; `advance(T)` ends it.
    """

    def __init__(
        self,
        settings: BoardSettings,
        memory: BoardMemory,
        *,
        power_on: ResetCause = ResetCause.POWER_ON,
    ) -> None:
        super().__init__(settings, memory, power_on)

    # -- what happens to it --------------------------------------------------------------------

    def receive(self, tick: int, data: bytes) -> None:
        """Bytes whose last bit arrived at `tick`."""
        self._enter(tick)
        self._inputs.line_low = False
        for frame in self._reader.feed(data):
            self.receive_frame(frame)

    def receive_frame(self, frame: Frame) -> None:
        """A well-formed frame at the tick it has lived to."""
        self._obey(frame)
        self._next_timer = self._now

    def line_error(self, tick: int) -> None:
        """A byte with a framing error arrived at `tick`."""
        self._enter(tick)
        self._line_errors += 1
        self._line_errors_in_bangs += any(o.is_lit(tick) for o in self._outputs)
        self._reader.spoil()

    def line_break(self, tick: int) -> None:
        """At `tick` the line has been low for 2 ms; low until `line_idle` or the next byte."""
        self._enter(tick)
        self._breaks += 1
        self._reader.spoil()
        self._inputs.line_low = True
        self._trip(Cause.LINE_BREAK)

    def line_idle(self, tick: int) -> None:
        """The line went high again at `tick`."""
        self._enter(tick)
        self._inputs.line_low = False

    def set_inputs(
        self,
        tick: int,
        *,
        estop_a: bool | None = None,
        estop_b: bool | None = None,
        key: bool | None = None,
        local_stop: bool | None = None,
        ready: Mapping[int, bool] | None = None,
        pin_mismatch: bool | None = None,
    ) -> None:
        """New levels at `tick`, None = as before. True: e-stop closed, key on, stop pressed,
        output ready, a pin not as commanded."""
        self._enter(tick)
        inputs, before = self._inputs, self._inputs.bits()
        cause = inputs.set_estops(tick, estop_a, estop_b, locked=self.state == State.LOCKED)
        if cause != Cause.NONE:
            self._trip(cause)
        if key is not None:
            inputs.key_on = key
            if not key:
                self._trip(Cause.KEY_OFF)
        if local_stop is not None:
            inputs.local_stop = local_stop
            if local_stop:
                self._trip(Cause.LOCAL_STOP)
        for output, is_ready in (ready or {}).items():
            inputs.ready[output] = is_ready
            if not is_ready and self._outputs[output].guard.limits is not None:
                self._trip(Cause.NOT_READY)
        if pin_mismatch is not None:
            inputs.pin_mismatch = pin_mismatch
            if pin_mismatch:
                self._trip(Cause.PIN_MISMATCH)
        self._status_due |= inputs.bits() != before
        self._next_timer = tick

    def prove_estop(self, tick: int) -> int:
        """The daily proof test, done at `tick`: both e-stop inputs open for 1 ms, then closed.

        Lives on until the closing counts and returns that tick (101 ms after `tick`).
        """
        self.set_inputs(tick, estop_a=False, estop_b=False)
        self.set_inputs(tick + TICKS_PER_MS, estop_a=True, estop_b=True)
        proven_at = self._inputs.next_event
        self.advance(proven_at)
        return proven_at

    def internal_fault(self, tick: int) -> None:
        """The program found its own state impossible."""
        self._enter(tick)
        self._trip(Cause.INTERNAL_FAULT)

    def reset(self, tick: int, cause: ResetCause) -> None:
        """The board restarts at `tick`: outputs dark, RAM forgotten, its tick count begins at 0."""
        self._enter(tick)
        for output in self._outputs:
            output.go_dark(tick)
        self._collect(tick)
        self._start(tick, cause, wire_origin=tick)

    def advance(self, tick: int) -> None:
        """Lives through everything up to and including `tick`."""
        self._enter(tick)
        self._run(tick)

    def next_event_tick(self) -> int | None:
        """The earliest tick at which something happens by itself."""
        return min(self._timer(), *(o.next_tick for o in self._outputs))

    def next_timer_tick(self) -> int:
        """The earliest tick at which something other than a pulse happens by itself."""
        return self._timer()

    # -- what comes of it ----------------------------------------------------------------------

    def take_output(self) -> list[tuple[int, bytes]]:
        """(tick handed to the line, bytes) of every frame sent since the last call."""
        taken, self._sent = self._sent, []
        return taken

    def take_pulses(self) -> list[Pulse]:
        """Pulses that have ended and were not taken yet: by output in order, outputs one by one."""
        self._collect(self._now)
        taken, self._pulses = self._pulses, []
        return taken

    def _collect(self, tick: int) -> None:
        for output in self._outputs:
            self._pulses += output.take_pulses(tick)

    # -- time and order ------------------------------------------------------------------------

    def _enter(self, tick: int) -> None:
        """Everything before `tick` has happened; timed inputs at `tick` count first."""
        if tick < self._now:
            raise ValueError(f"tick {tick} is before {self._now}")
        if tick > self._now:
            self._run(tick - 1)
            self._now = tick
        self._count_inputs(tick)

    def _count_inputs(self, tick: int) -> None:
        if self._inputs.next_event > tick:
            return
        before = self._inputs.bits()
        cause = self._inputs.count(tick)
        self._status_due |= self._inputs.bits() != before
        if cause != Cause.NONE:
            self._trip(cause)
        self._next_timer = tick

    def _timer(self) -> int:
        """The earliest tick of anything but a pulse. `_next_timer` is never later than it."""
        if self._status_due:
            return self._now
        due = min(self._next_status, self._inputs.next_event)
        if self.state in MAY_FIRE:
            due = min(due, self._fires_at, *self._leases.values())
            for output in self._outputs:
                if output.queue and output.queue[0].apply_at < due:
                    due = output.queue[0].apply_at
        return due

    def _run(self, limit: int) -> None:
        """Everything at ticks up to and including `limit`."""
        outputs = self._outputs
        timer = self._next_timer = self._timer()
        while True:
            first: OutputScheduler | None = None
            tick = timer
            for output in outputs:
                if output.next_tick < tick:
                    first, tick = output, output.next_tick
            if tick > limit:
                break
            self._now = tick
            if first is None:
                self._tick_with_timers(tick)
            elif not first.decide(tick):
                continue
            else:
                self._guard_refused()
            timer = self._next_timer = self._timer()
        self._now = max(self._now, limit)

    def _tick_with_timers(self, tick: int) -> None:
        self._count_inputs(tick)
        if self.state in MAY_FIRE:
            if min(self._leases.values()) <= tick:
                self._trip(Cause.LEASE_EXPIRED)
            for output in self._outputs:
                output.apply_due(tick)
            if tick >= self._fires_at:
                self._fires_at = FOREVER
                self._status_due |= self._permission.move(Event.HORN_END)
        for output in self._outputs:
            while output.next_tick <= tick:
                if output.decide(tick):
                    self._guard_refused()
        if self._status_due or tick >= self._next_status:
            self._send_status()
            self._status_due = False
            if tick >= self._next_status:
                self._next_status += STATUS_TICKS

    def _guard_refused(self) -> None:
        self._refusals_since_arming += 1
        if self._refusals_since_arming > MAX_GUARD_REFUSALS:
            self._trip(Cause.GUARD_REFUSALS)
