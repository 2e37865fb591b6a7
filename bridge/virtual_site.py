"""A whole site in simulated time: the Engine, its lines and simulated controllers. Pure.

The very code that plays live, without a real clock: two hours in seconds, the same every time.
Times are seconds from 0: the host's clock, which is true here. Bytes take their time on the line,
boards have their clock errors, lines their noise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from bridge.clocks import HostS
from bridge.config import Config
from bridge.engine import Act, Engine
from bridge.interlock import Cause, Latch, State
from bridge.link.breaks import BREAK_S
from bridge.link.line_noise import LineNoise
from bridge.link.simulated_controller import BoardMemory, BoardSettings, SimulatedController
from bridge.link.simulated_link import SimulatedLink
from bridge.records import Record
from bridge.source import VoiceSource

_MOST_STEPS_AT_ONCE = 2000


@dataclass(frozen=True, slots=True)
class TimedPulse:
    """One pulse in true time."""

    start_s: float
    on_s: float
    start_tick: int
    on_ticks: int


class VirtualSite:
    """Config and source in, pulses out. `noise(controller, "to_board" | "to_host")` makes lines."""

    def __init__(
        self,
        config: Config,
        source: VoiceSource,
        *,
        latch: Latch | None = None,
        noise: Callable[[str, str], LineNoise | None] = lambda controller, direction: None,
        board: Mapping[str, BoardSettings] | None = None,
        break_works: bool = True,
    ) -> None:
        self.now_s = HostS(0.0)
        self.engine = Engine(config, source, latch or Latch())
        self.records: list[tuple[HostS, Record]] = []
        self.links: dict[str, SimulatedLink] = {}
        self.pulses: dict[str, list[TimedPulse]] = {c.name: [] for c in config.coil}
        self.frozen = False
        """True: the host does nothing (killed or stopped); boards live on, their words wait."""
        self._unread: list[tuple[str, bytes]] = []
        self._due_s: dict[str, float] = {}
        """By link: when something next reaches either of its ends."""
        self._break_works = break_works
        self._coil_at = {(c.controller, c.output - 1): c.name for c in config.coil}
        for controller in config.controller:
            settings = (board or {}).get(controller.name) or BoardSettings(
                board_id=int(controller.board_id, 16),
                clock_error_ppm=controller.simulated.clock_error_ppm,
            )
            self.links[controller.name] = SimulatedLink(
                SimulatedController(settings, BoardMemory()),
                baud=controller.baud,
                to_board=noise(controller.name, "to_board"),
                to_host=noise(controller.name, "to_host"),
            )

    # -- acts ---------------------------------------------------------------------------------

    def connect(self) -> None:
        """Opens every link."""
        for name in self.links:
            self.engine.link_up(self.now_s, name)
        self._pump()

    def prove_estops(self) -> None:
        """The daily proof test on every board; takes 102 ms."""
        for link in self.links.values():
            tick = max(link.tick_at(self.now_s), link.controller.tick)
            link.controller.set_inputs(tick, estop_a=False, estop_b=False)
        self.run_for(0.002)
        for link in self.links.values():
            tick = max(link.tick_at(self.now_s), link.controller.tick)
            link.controller.set_inputs(tick, estop_a=True, estop_b=True)
        self.run_for(0.102)

    def arm(self, within_s: float = 4.0) -> None:
        """Connects, proves, waits for the arming list and arms. Raises RuntimeError if it can't."""
        self.connect()
        self.prove_estops()
        until = self.now_s + within_s
        while any(not c.passed for c in self.engine.checks(self.now_s)):
            if self.now_s > until:
                failed = [c for c in self.engine.checks(self.now_s) if not c.passed]
                raise RuntimeError(f"cannot arm: {failed}")
            self.run_for(0.05)
        self.act(Act.ARM)
        while self.engine.interlock.state is State.ARMING:
            self.run_for(0.005)
        if self.engine.interlock.state is not State.ARMED:
            raise RuntimeError(f"not armed: {self.engine.interlock.current_trip}")

    def midi(self, input_name: str, message: bytes, arrived_s: HostS | None = None) -> None:
        """A message handed over now, that arrived now or at `arrived_s` before."""
        at_s = self.now_s if arrived_s is None else arrived_s
        self.engine.midi(self.now_s, input_name, message, at_s)
        self._pump()

    def act(self, act: Act) -> None:
        self.engine.act(self.now_s, act)
        self._pump()

    def stop(self, cause: Cause = Cause.OPERATOR_STOP) -> None:
        self.engine.trip(self.now_s, cause)
        self._pump()

    # -- time ---------------------------------------------------------------------------------

    def run_for(self, duration_s: float) -> None:
        self.run_until(HostS(self.now_s + duration_s))

    def run_until(self, end_s: HostS) -> None:
        """Lives on to `end_s`, event by event."""
        steps_here, entered, deadline = 0, True, HostS(math.inf)
        # Between two calls anything may have been done to a link: asked anew each time.
        self._due_s = {name: link.next_message_s() for name, link in self.links.items()}
        while True:
            due = HostS(min(self._due_s.values()))
            if entered:  # it asks no clock: only an entry can move it
                deadline = HostS(math.inf) if self.frozen else self.engine.next_deadline_s()
            at = max(self.now_s, min(due, deadline, end_s))
            steps_here = steps_here + 1 if at == self.now_s else 0
            if steps_here > _MOST_STEPS_AT_ONCE:
                raise RuntimeError(f"time stands still at {at} s")
            self.now_s = at
            entered = self._step(deadline)
            if at >= end_s and steps_here > 3:
                break
        for link in self.links.values():  # pulses included, which tell nobody
            link.advance(self.now_s)

    def _step(self, deadline_s: HostS) -> bool:
        """True if the engine was entered."""
        heard = False
        for name, link in self.links.items():
            if self._due_s[name] > self.now_s:
                continue  # most of the time, with many controllers
            link.advance(self.now_s)
            self._unread += [(name, data) for _, data in link.take_received()]
            self._due_s[name] = link.next_message_s()
        if self.frozen:
            return False
        for name, data in self._unread:
            heard = True
            self.engine.received(self.now_s, name, data)
        self._unread.clear()
        if deadline_s <= self.now_s:
            self.engine.advance(self.now_s)
        elif not heard:
            return False
        self._pump()
        return True

    def _pump(self) -> None:
        for name, link in self.links.items():
            out = self.engine.collect(self.now_s, name, link.to_board.unsent_bytes(self.now_s))
            if out is None:
                continue
            if out.discard:
                link.to_board.discard_unsent(self.now_s)
            if out.data:
                link.write(self.now_s, out.data)
            if out.line_break and self._break_works:
                link.to_board.hold_low(self.now_s, BREAK_S)
            if out.line_break:  # what is written from here on comes behind it
                self.engine.break_done(self.now_s, name)
            self._due_s[name] = link.next_message_s()
        self.records += [(self.now_s, r) for r in self.engine.take_records()]

    # -- what came of it ----------------------------------------------------------------------

    def take_pulses(self) -> dict[str, list[TimedPulse]]:
        """Every pulse so far, by coil, in order of start."""
        for name, link in self.links.items():
            for pulse in link.controller.take_pulses():
                start = link.seconds_at(pulse.start_tick)
                end = link.seconds_at(pulse.start_tick + pulse.on_ticks)
                self.pulses[self._coil_at[name, pulse.output]].append(
                    TimedPulse(start, end - start, pulse.start_tick, pulse.on_ticks)
                )
        return self.pulses
