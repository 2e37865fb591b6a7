"""Bangs heard as they are fired, in a process of its own: no sound can hold a loop up.

    python -m bridge.sound.listen_process

In: records of `RECORD`, the host's monotonic time at which a bang began and its pressure left and
right; their end means leave. Out, in lines of JSON: {"rate", "device"}, then once a second and at
the end {"latency_ms", "device_ms", "underruns", "late"}; or, at any time and as its last,
{"missing": why}.
"""

from __future__ import annotations

import json
import os
import select
import struct
import sys
import time
from collections.abc import Callable
from typing import Any

from bridge.show.audio_process import Samples
from bridge.sound.ear import HAND_OVER_S, Clock, Ear

RECORD = struct.Struct("<dff")
"""Host time in seconds; pressure left and right, 1: the loudest bang of a coil on that side."""
REPORT_S = 0.1
TELL_S = 1.0
SETTLE_S = 0.5
"""A device that has just begun to play stumbles; then it is looked at and counted."""
QUIET_LOOKS = 30
"""So many looks (`REPORT_S` apart) without a call: the device asks for nothing any more. Looks, not
seconds: after this computer stood still it has had no time to ask."""
PLAY_OUT_S = 0.5
"""What was fired last is heard before this process leaves, if it takes no longer."""


class DeviceGoneError(Exception):
    """The text says how it shows."""


def _say(words: dict[str, Any]) -> None:
    print(json.dumps(words), flush=True)


def _open(made: list[Ear]) -> Any:
    """A running stream on the usual device. Raises what keeps it from running."""
    import sounddevice as sd  # noqa: PLC0415  # pyright: ignore[reportMissingTypeStubs]

    info: Any = sd.query_devices(None, "output")  # pyright: ignore[reportUnknownMemberType]
    ear = Ear(float(info["default_samplerate"]))
    made.append(ear)

    def on_block(out: Samples, frames: int, at: Any, status: Any) -> None:
        # A device that is connected to nothing tells no times at all.
        ahead_s = max(0.0, at.outputBufferDacTime - at.currentTime)
        ear.play(out, time.monotonic(), ahead_s, bool(status.output_underflow))

    stream: Any = sd.OutputStream(
        samplerate=ear.rate, channels=2, dtype="float32", latency="low", callback=on_block
    )
    stream.start()
    time.sleep(SETTLE_S)
    ear.underruns = 0
    ear.put_latency_right()  # before the first bang: with less than the device needs it is too late
    _say({"rate": ear.rate, "device": info["name"]})
    return stream


def _receive(wait_s: float, data: bytes) -> bytes | None:
    """`data` and what came within `wait_s`; None when there will be no more."""
    if not select.select([0], [], [], wait_s)[0]:
        return data
    more = os.read(0, 65536)
    return data + more if more else None


def attend(
    ear: Ear,
    receive: Callable[[float, bytes], bytes | None] = _receive,
    now: Callable[[], float] = time.monotonic,
    say: Callable[[dict[str, Any]], None] = _say,
    wait: Callable[[float], None] = time.sleep,
) -> None:
    """Until there are no more bangs. Raises DeviceGoneError."""
    clock, data = Clock(ear), b""
    told_s = looked_s = -TELL_S
    frame, quiet = ear.frame, 0
    while True:
        received = receive(REPORT_S, data)
        if received is None:
            break
        whole = len(received) - len(received) % RECORD.size
        ear.arrived.extend(RECORD.iter_unpack(received[:whole]))
        data = received[whole:]
        now_s = now()
        if now_s - looked_s < REPORT_S:
            continue
        looked_s = now_s
        clock.observe()
        ear.put_latency_right()
        frame, quiet = ear.frame, 0 if ear.frame != frame else quiet + 1
        if quiet >= QUIET_LOOKS:
            raise DeviceGoneError("the device asks for nothing any more")
        if now_s - told_s >= TELL_S:
            told_s = now_s
            say(_report(ear))
    wait(min(ear.latency_s, PLAY_OUT_S))
    report = _report(ear)
    say(report | {"late": report["late"] + ear.unplayed})


def _report(ear: Ear) -> dict[str, Any]:
    latency_ms, device_ms = (
        round(s * 1000, 1) for s in (ear.latency_s, ear.latency_s - HAND_OVER_S)
    )
    counts = {"underruns": ear.underruns, "late": ear.late}
    return {"latency_ms": latency_ms, "device_ms": device_ms, **counts}


def main() -> None:
    """Until standard input ends, or there is no device."""
    made: list[Ear] = []
    try:
        stream = _open(made)
        attend(made[0])
    except Exception as error:  # no library, no device, no rate: all mean the same to who listens
        _say({"missing": str(error) or repr(error)})
        return
    stream.stop()


if __name__ == "__main__":
    sys.exit(main())
