"""Bangs heard as they are fired, in a process of its own: no sound can hold a loop up.

    python -m bridge.sound.listen_process

In: records of `RECORD`, the host's monotonic time at which a bang began and its pressure left and
right; their end means leave. Out, in lines of JSON: {"rate", "device", "latency_ms", "device_ms"}
or {"missing": why}; then, once a second where they have changed, {"underruns", "late"}.

A bang is heard `latency_ms` after it was fired, always the same: so pitch and rhythm stay as fired.
One that came here too late for that is left out and counted: what a stall held back would else be
heard in a heap, as one crack.
"""

from __future__ import annotations

import json
import os
import select
import statistics
import struct
import sys
import time
from collections import deque
from typing import Any

import numpy as np

from bridge.clocks import HostS
from bridge.show.audio_process import Desk, Mixer, Samples
from bridge.show.clock_map import ClockMap, ToldLine
from bridge.sound.synthesis import Synthesis

RECORD = struct.Struct("<dff")
"""Host time in seconds; pressure left and right, 1: the loudest bang of a coil on that side."""
HAND_OVER_S = 0.02
"""A simulated board lives in steps of some milliseconds, and tells of a pulse once it has ended."""
REPORT_S = 0.1
TELL_S = 1.0
SETTLE_S = 0.5
"""A device that has just begun to play stumbles; then it is looked at and counted."""
_SIDES = ((0.5**0.5, 0.0), (0.0, 0.5**0.5))


class Ear(Mixer):
    """What the device asks for, made of bangs; no device in here."""

    def __init__(self, rate: float) -> None:
        super().__init__(rate)
        self.latency_s = HAND_OVER_S
        self.late = 0
        self.arrived: deque[tuple[float, float, float]] = deque()
        """As in `RECORD`; any thread may append."""
        self.heard_at: tuple[float, float, float] | None = None
        """Host time, the stream's seconds that are heard then, stream seconds a host second."""
        self._waiting: list[tuple[float, float, float]] = []
        self._synthesis = Synthesis(rate, _SIDES)

    def fill(self, out: Samples, dac_host_s: float, underrun: bool = False) -> None:
        first, count = self.frame, len(out)
        super().fill(out, dac_host_s, underrun)
        if self.heard_at is None:
            self.heard_at = (dac_host_s, first / self.rate, 1.0)
        host_s, stream_s, pace = self.heard_at
        waiting = self._waiting
        while self.arrived:
            waiting.append(self.arrived.popleft())
        if not waiting:
            out[:] = self._synthesis.block(count, {})
            return
        bangs = np.array(waiting, dtype=np.float64)
        away_s = bangs[:, 0] + self.latency_s - host_s
        places = (stream_s + away_s * pace) * self.rate
        now = places < first + count
        self._waiting = [w for w, is_now in zip(waiting, now, strict=True) if not is_now]
        late = places < first - 1
        self.late += int(late.sum())
        now &= ~late
        places, bangs = places[now], bangs[now]
        out[:] = self._synthesis.block(count, {0: (places, bangs[:, 1]), 1: (places, bangs[:, 2])})


class Clock:
    """Follows the device's clock for an ear."""

    def __init__(self, ear: Ear) -> None:
        self._ear = ear
        self._desk = Desk(ear, {})
        self._line = ToldLine()
        self._map = ClockMap(self._line)
        self._underruns: int = 0

    def observe(self) -> None:
        """Now and then."""
        report = self._desk.observe()
        if report is None:
            return
        if report["underruns"] != self._underruns:
            self._underruns = report["underruns"]
            self._map.restart()
        at_s = HostS(report["at_s"])
        self._line.tell(at_s, report["stream_s"], report["pace"])
        self._map.observe(at_s, report["stream_s"])
        self._ear.heard_at = (at_s, self._map.position_at(at_s), self._map.rate)


def _say(words: dict[str, Any]) -> None:
    print(json.dumps(words), flush=True)


def _open(made: list[Ear]) -> Any:
    """A running stream on the usual device. Raises what keeps it from running."""
    import sounddevice as sd  # noqa: PLC0415  # pyright: ignore[reportMissingTypeStubs]

    info: Any = sd.query_devices(None, "output")  # pyright: ignore[reportUnknownMemberType]
    ear = Ear(float(info["default_samplerate"]))
    made.append(ear)
    leads_s: deque[float] = deque(maxlen=64)

    def on_block(out: Samples, frames: int, at: Any, status: Any) -> None:
        ahead_s = at.outputBufferDacTime - at.currentTime
        leads_s.append(ahead_s)
        ear.fill(out, time.monotonic() + ahead_s, bool(status.output_underflow))

    stream: Any = sd.OutputStream(
        samplerate=ear.rate, channels=2, dtype="float32", latency="low", callback=on_block
    )
    stream.start()
    time.sleep(SETTLE_S)
    # What a driver says of its latency beforehand may be half of it: its calls tell.
    device_s = max(stream.latency, statistics.median(leads_s)) if leads_s else stream.latency
    ear.latency_s = HAND_OVER_S + device_s
    ear.underruns = 0
    _say(
        {
            "rate": ear.rate,
            "device": info["name"],
            "latency_ms": round(ear.latency_s * 1000, 1),
            "device_ms": round(device_s * 1000, 1),
        }
    )
    return stream


def main() -> None:
    """Until standard input ends."""
    made: list[Ear] = []
    try:
        stream = _open(made)
    except Exception as error:  # no library, no device, no rate: all mean the same to who listens
        _say({"missing": str(error) or repr(error)})
        return
    ear = made[0]
    clock, data = Clock(ear), b""
    told, told_s = (0, 0), time.monotonic()
    observed_s = 0.0
    while True:
        readable, _, _ = select.select([0], [], [], REPORT_S)
        if readable:
            more = os.read(0, 65536)
            if not more:
                break
            data += more
            whole = len(data) - len(data) % RECORD.size
            ear.arrived.extend(RECORD.iter_unpack(data[:whole]))
            data = data[whole:]
        now_s = time.monotonic()
        if now_s - observed_s >= REPORT_S:
            observed_s = now_s
            clock.observe()
        if now_s - told_s >= TELL_S and (ear.underruns, ear.late) != told:
            told, told_s = (ear.underruns, ear.late), now_s
            _say({"underruns": ear.underruns, "late": ear.late})
    _say({"underruns": ear.underruns, "late": ear.late})
    stream.stop()


if __name__ == "__main__":
    sys.exit(main())
