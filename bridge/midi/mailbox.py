"""From the reading thread to the asyncio loop: in order, bounded, with one wakeup for a batch.

Nothing here waits or locks: the queue is a deque, whose append and popleft are atomic. One thread
at a time puts messages; the loop's thread drains.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.midi.parts import PortState

BOUND = 16_384
"""Messages waiting for the loop; at 3,000 a second, over five seconds of a stalled loop."""
TURN_S = 0.0015
"""Handing over takes no more of one turn of the loop, so that in a flood its other work, an
operator's stop above all, waits no longer."""
MAX_MESSAGE_BYTES = 256
"""A longer system exclusive dump is nothing we play; it is dropped and counted."""

Wake = Callable[[Callable[[], None]], object]
_Item = tuple[HostS, bytes | PortState]


def silencing_key(message: bytes) -> bytes | None:
    """A key for messages that can only end sound, else None. Equal keys have equal effect.

    Note-off, note-on with velocity 0, pedal up (CC 64 and 66 below 64), all sound off to the last
    of the channel mode messages (CC 120 to 127), system reset. Source: MIDI 1.0 Detailed
    Specification, channel voice, channel mode and system real time messages (from memory).
    """
    match list(message):
        case [status, note, _] if status & 0xF0 == 0x80:
            return bytes((status, note))
        case [status, note, 0] if status & 0xF0 == 0x90:
            return bytes((status - 0x10, note))
        case [status, controller, value] if status & 0xF0 == 0xB0:
            ends = controller >= 120 or (controller in (64, 66) and value < 64)
            return bytes((status, controller)) if ends else None
        case [0xFF]:
            return bytes((0xFF,))
        case _:
            return None


class Mailbox:
    """Messages and state changes of one input, delivered in order on the loop's thread.

    At the bound, messages that can start or shape sound are dropped and counted. Those that end
    sound are never lost: they are kept once per key (at most a few thousand), and delivered after
    everything that was queued before; until that is done nothing else is queued, so no later
    note-on can overtake an earlier note-off. State changes are always queued. A message that is a
    stop is never dropped and overtakes everything.
    """

    def __init__(
        self,
        deliver: Callable[[HostS, bytes], None],
        changed: Callable[[HostS, PortState], None],
        wake: Wake,
        *,
        bound: int = BOUND,
        is_stop: Callable[[bytes], bool] = lambda message: False,
        clock: Callable[[], HostS] = host_now,
    ) -> None:
        self._deliver = deliver
        self._changed = changed
        self._wake = wake
        self._bound = bound
        self._is_stop = is_stop
        self._clock = clock
        self._stop: tuple[HostS, bytes] | None = None
        self._queue: deque[_Item] = deque()
        self._ends: dict[bytes, tuple[HostS, bytes]] = {}
        self._woken = False
        self._closed = False
        self.dropped = 0

    def put(self, arrival_s: HostS, message: bytes) -> None:
        """Queues a message, from the reading thread. Never blocks."""
        if self._closed:
            return
        if len(message) > MAX_MESSAGE_BYTES:
            self.dropped += 1
            return
        if self._is_stop(message):
            self._stop = (arrival_s, message)
        elif self._ends or len(self._queue) >= self._bound:
            key = silencing_key(message)
            if key is None:
                self.dropped += 1
            else:
                self._ends[key] = (arrival_s, message)
        else:
            self._queue.append((arrival_s, message))
        self._ring()

    def put_change(self, at_s: HostS, state: PortState) -> None:
        """Queues a change of state behind the messages that came before it."""
        if not self._closed:
            self._queue.append((at_s, state))
            self._ring()

    def _ring(self) -> None:
        # The flag falls before the drain begins, so a message put during the drain is either
        # still taken by it or rings again.
        if not self._woken:
            self._woken = True
            try:
                self._wake(self.drain)
            except RuntimeError:  # the loop is closed: nobody is left to tell
                self._closed = True

    def drain(self) -> None:
        """Delivers for one turn, on the loop's thread; rings again if something is left."""
        self._woken = False
        until_s = self._clock() + TURN_S
        try:
            while not self._closed:
                if self._stop is not None:
                    stop, self._stop = self._stop, None
                    self._deliver(*stop)
                elif self._queue:
                    at_s, item = self._queue.popleft()
                    if isinstance(item, PortState):
                        self._changed(at_s, item)
                    else:
                        self._deliver(at_s, item)
                elif self._ends:
                    self._deliver(*self._ends.pop(next(iter(self._ends))))
                else:
                    return
                if self._clock() >= until_s:
                    return
        finally:
            # Also if a receiver raised: what is behind the message it choked on still comes.
            if not self._closed and (self._queue or self._ends):
                self._ring()

    def close(self) -> None:
        """On the loop's thread: nothing is delivered after this returns."""
        self._closed = True
        self._stop = None
        self._queue.clear()
        self._ends.clear()
