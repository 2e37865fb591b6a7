"""The real image at the far end of a virtual site's line: host and board in one simulated time.

Stands in `VirtualSite.links` for a `SimulatedLink`. The site's seconds are the bench's cycles, from
the cycle at which this was made; bytes take their time on the line both ways. What the board says
is handed over once in POLL_S, as an adapter does.
"""

from __future__ import annotations

from firmware_protocol.framing import FrameReader
from firmware_protocol.messages import Voices
from tests.bench.bench import BYTE_CYCLES, CLOCK_HZ
from tests.bench.image_bench import ImageBench

POLL_S = 0.0005


class ImageLink:
    """`voices`: every voices frame that the host sent, in order."""

    def __init__(self, board: ImageBench) -> None:
        """`board`: started, its e-stop inputs proven, locked."""
        self.to_board = self
        self.voices: list[Voices] = []
        self._board = board
        self._zero = self._free = board.now
        self._lived_s = 0.0
        self._received: list[tuple[float, bytes]] = []
        self._reader = FrameReader()

    def seconds_at(self, cycle: int) -> float:
        return (cycle - self._zero) / CLOCK_HZ

    def _cycle(self, time_s: float) -> int:
        return self._zero + round(time_s * CLOCK_HZ)

    # -- as a SimulatedLink ---------------------------------------------------------------------

    def next_message_s(self) -> float:
        return self._lived_s + POLL_S

    def advance(self, time_s: float) -> None:
        self._board.run_to(self._cycle(time_s))
        self._lived_s = time_s
        said = bytes(one.byte for one in self._board.sent(take=True))
        if said:
            self._received.append((time_s, said))

    def take_received(self) -> list[tuple[float, bytes]]:
        taken, self._received = self._received, []
        return taken

    def write(self, time_s: float, data: bytes) -> None:
        for frame in self._reader.feed(data):
            if frame.type_code == Voices.TYPE:
                self.voices.append(Voices.parse(frame.payload))
        self._free = self._board.bytes_at(max(self._free, self._cycle(time_s)), data)

    # -- as its `to_board` ----------------------------------------------------------------------

    def unsent_bytes(self, time_s: float) -> int:
        return max(0, -(-(self._free - self._cycle(time_s)) // BYTE_CYCLES))

    def discard_unsent(self, time_s: float) -> None:
        assert not self.unsent_bytes(time_s), "bytes on their way cannot be called back here"

    def hold_low(self, time_s: float, duration_s: float) -> None:
        begin, cycles = max(self._free, self._cycle(time_s)), round(duration_s * CLOCK_HZ)
        self._board.low_at(begin, cycles)
        self._free = begin + cycles
