"""A simulated controller at the far end of a simulated line, in seconds.

Joins `SimulatedController` (ticks) with two `WireDirection`s (seconds). Pure: the caller says what
time it is. The board's clock may run fast or slow (`clock_error_ppm`); the line's does not.
"""

from __future__ import annotations

from .line_noise import LineNoise
from .simulated_controller import SimulatedController
from .simulated_wire import Arrival, Delivery, WireDirection

OUTGOING_BYTES = 1024
"""The board's outgoing buffer; an answer that does not fit is dropped whole (PROTOCOL.md, 1)."""


class SimulatedLink:
    """Host's end of the line, controller included. The board starts at `start_s`.

    Bursts of `to_board` hit bytes that arrive while an output is lit; toward the host there are
    none. Times must not fall.
    """

    def __init__(
        self,
        controller: SimulatedController,
        *,
        baud: int = 500_000,
        to_board: LineNoise | None = None,
        to_host: LineNoise | None = None,
        start_s: float = 0.0,
    ) -> None:
        self.controller = controller
        self.to_board = WireDirection(baud, to_board)
        self.to_host = WireDirection(baud, to_host)
        self._start_s = start_s
        self._tick_hz = controller.settings.true_tick_hz
        self._first_tick = controller.settings.first_tick
        self._received: list[tuple[float, bytes]] = []
        self.dropped_answers = 0
        """Frames of the board that found its outgoing buffer full."""

    def tick_at(self, time_s: float) -> int:
        """The board's extended tick at `time_s`."""
        # A ten-thousandth of a tick is forgiven, so that tick_at(seconds_at(n)) is n.
        return self._first_tick + max(0, int((time_s - self._start_s) * self._tick_hz + 1e-4))

    def seconds_at(self, tick: int) -> float:
        """The time at which the board's extended tick begins."""
        return self._start_s + (tick - self._first_tick) / self._tick_hz

    def write(self, time_s: float, data: bytes) -> None:
        """The host writes; nothing arrives before `advance`."""
        self.to_board.write(time_s, data)

    def advance(self, time_s: float) -> None:
        """Lives through everything up to `time_s`, on the line and on the board."""
        controller = self.controller
        while self.to_board.next_delivery_s() <= time_s:
            delivery = self.to_board.take_next()
            # what the board does by itself comes first, in its own steps
            tick = max(self.tick_at(delivery.time_s), controller.tick)
            self._arrive(tick, delivery)
            self._collect_output()
        controller.advance(max(self.tick_at(time_s), controller.tick))
        self._collect_output()
        while self.to_host.next_delivery_s() <= time_s:
            delivery = self.to_host.take_next()
            self._received.append((delivery.time_s, delivery.data))

    def take_received(self) -> list[tuple[float, bytes]]:
        """(time of the last bit, bytes) of all that reached the host since the last call."""
        taken, self._received = self._received, []
        return taken

    def next_event_s(self) -> float:
        """When something next happens by itself, on the line or on the board."""
        tick = self.controller.next_event_tick()
        board = float("inf") if tick is None else self.seconds_at(tick)
        return min(board, self.to_board.next_delivery_s(), self.to_host.next_delivery_s())

    def next_message_s(self) -> float:
        """When something may next reach either end, pulses left out: they tell nobody. (Too many
        refused by the guard would trip; that is then told by the next status.)"""
        board = self.seconds_at(self.controller.next_timer_tick())
        return min(board, self.to_board.next_delivery_s(), self.to_host.next_delivery_s())

    def _arrive(self, tick: int, delivery: Delivery) -> None:
        controller = self.controller
        match delivery.kind:
            case Arrival.BYTES:
                data: bytes | None = delivery.data
                if delivery.hittable:
                    data = self._through_bang(tick, delivery.data)
                if data is None:
                    controller.line_error(tick)
                else:
                    controller.receive(tick, data)
            case Arrival.LINE_ERROR:
                controller.line_error(tick)
            case Arrival.BREAK:
                controller.line_break(tick)
            case Arrival.IDLE:
                controller.line_idle(tick)

    def _through_bang(self, tick: int, byte: bytes) -> bytes | None:
        """A single byte that arrives at `tick`: hit if an output is lit then."""
        noise, controller = self.to_board.noise, self.controller
        controller.advance(tick)
        lit = any(controller.is_lit(o) for o in range(controller.settings.outputs))
        if noise is None or not lit:
            return byte
        hit = noise.hit_byte(byte[0])
        return None if hit is None else bytes((hit,))

    def _collect_output(self) -> None:
        for tick, frame in self.controller.take_output():
            time_s = self.seconds_at(tick)
            if self.to_host.unsent_bytes(time_s) + len(frame) <= OUTGOING_BYTES:
                self.to_host.write(time_s, frame)
            else:
                self.dropped_answers += 1
