"""The backing audio, in a process of its own: nothing that the daemon does or fails to do stops it.

    python -m bridge.show.audio_process

Talks in lines of JSON. In: first {"device": name or null, "files": [[item, path, gain], ...]};
then {"play": item, "number", "position_s", "at_s"}, {"stop": at_s}, {"fade": at_s}; its end means
leave.
Out: {"rate", "device"} when all is loaded, or {"missing": why}; ten times a second {"at_s",
"stream_s", "pace", "underruns"}: the device's own time at host time `at_s` and its seconds a second
of the host, by all that was played in the last 20 s; {"begins": number, "stream_s", "position_s"}.
Times `*at_s` are of the host's monotonic clock, at the loudspeaker. The stream always runs, silence
included, so that its clock is known long before anything is to sound.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import select
import time
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from bridge.clocks import HostS
from bridge.show.clock_map import AUDIO_JUMP_S, EarliestLine

REPORT_S = 0.1
WINDOW_S = 20.0
"""The device's clock is read off its callbacks of so long."""
FADE_S = 1.5
MISSED_REPORTS = 3
"""So many reports running, off by most of a block: a block was left out, and no chance did it."""
MOST_RATE_ERROR = 0.006
"""By such a share a device's rate may be off, before it is known by how much."""
_MOST_OF_A_BLOCK = 0.6
_CHANNELS = 2
_NEVER = 1 << 62
"""No stream gets to this frame."""

Samples = NDArray[np.float32]
"""(frames, 2), -1 to 1."""


class _Part(NamedTuple):
    """What the callback plays: `samples` with frame 0 at the stream's frame `begin`; nothing of it
    before `first` nor from `end` on, and from `FADE_S` before `faded` on ever less."""

    samples: Samples
    begin: int
    first: int
    end: int
    faded: int


class Mixer:
    """What the device asks for, filled in; no device in here. Frames count from the begin."""

    def __init__(self, rate: float) -> None:
        self.rate = rate
        self.frame = 0
        self.block = 0
        """Frames the device asked for last."""
        self.underruns: int = 0
        self.pairs: deque[tuple[float, float]] = deque(maxlen=4096)
        """(host time, stream seconds) of each call's first frame, as it leaves the loudspeaker."""
        self.part: _Part | None = None

    def fill(self, out: Samples, dac_host_s: float, underrun: bool = False) -> None:
        """The next len(out) frames, of which the first is heard at `dac_host_s` or sooner: this
        process is called late, never early. `underrun`: something was not played before them."""
        first, count = self.frame, len(out)
        if underrun:
            self.pairs.clear()  # they tell where the device was before
            self.underruns += 1
        self.block = count
        self.pairs.append((dac_host_s, first / self.rate))
        self.frame = first + count
        out.fill(0)
        part = self.part
        if part is None:
            return
        low = max(first, part.begin, part.first)
        high = min(first + count, part.begin + len(part.samples), part.end)
        if high > low:
            heard = part.samples[low - part.begin : high - part.begin]
            if part.faded < _NEVER:
                away = (part.faded - np.arange(low, high)) / (FADE_S * self.rate)
                heard = heard * np.clip(away, 0, 1)[:, None]
            out[low - first : high - first] = heard


def load(path: Path, gain: float, rate: float) -> Samples:
    """A file as samples at `rate`, two channels."""
    import soundfile  # noqa: PLC0415  # pyright: ignore[reportMissingTypeStubs]

    samples, file_rate = soundfile.read(str(path), dtype="float32", always_2d=True)
    samples = samples[:, :_CHANNELS] if samples.shape[1] > 1 else np.repeat(samples, 2, axis=1)
    if file_rate != rate:
        from scipy.signal import resample_poly  # noqa: PLC0415

        common = math.gcd(int(rate), int(file_rate))
        samples = resample_poly(samples, int(rate) // common, int(file_rate) // common, axis=0)
    return np.ascontiguousarray(samples * gain, dtype=np.float32)


class Desk:
    """Commands → the mixer; its pairs → the device's clock."""

    def __init__(self, mixer: Mixer, files: dict[int, Samples]) -> None:
        self.mixer = mixer
        self._files = files
        self._line = EarliestLine(WINDOW_S)
        self._underruns: int = 0
        self._missed = 0

    def observe(self) -> dict[str, Any] | None:
        """One report from what was played since the last."""
        mixer = self.mixer
        underruns = mixer.underruns  # before the pairs: those are of after it, or later
        pairs = [mixer.pairs.popleft() for _ in range(len(mixer.pairs))]
        if not pairs:
            return None
        line = self._line
        if underruns != self._underruns:
            line.restart()
        elif line.count:
            late_s = self._late_s(pairs)
            if late_s < -AUDIO_JUMP_S:
                line.restart()  # nobody is called early: the line was late, and its points with it
            # A driver may leave a block out and not say so: from then on all is late by that much.
            elif line.count > 1 and late_s > _MOST_OF_A_BLOCK * mixer.block / mixer.rate:
                self._missed += 1
                if self._missed < MISSED_REPORTS:
                    return None
                underruns = mixer.underruns = underruns + 1
                line.restart()
        self._underruns, self._missed = underruns, 0
        for at_s, stream_s in pairs:
            line.add(HostS(at_s), stream_s)
        line.fit()
        at_s = pairs[-1][0]
        stream_s = line.at(HostS(at_s))
        return {"at_s": at_s, "stream_s": stream_s, "pace": line.rate, "underruns": underruns}

    def _late_s(self, pairs: list[tuple[float, float]]) -> float:
        """By how much even the least late pair is, but for what the rate may be off."""
        line = self._line
        late_s = min(line.at(HostS(at_s)) - stream_s for at_s, stream_s in pairs)
        if line.knows_rate:
            return late_s
        # Else a device that is slow or fast would be found elsewhere before its rate is read.
        unsure_s = MOST_RATE_ERROR * (pairs[-1][0] - line.host_s + line.span_s)
        return math.copysign(max(0.0, abs(late_s) - unsure_s), late_s)

    @property
    def knows_pace(self) -> bool:
        """Or it is taken for 1."""
        return self._line.knows_rate

    @property
    def knows_the_time(self) -> bool:
        """Commands name times of the host: before the first report none can be followed."""
        return self._line.count > 0

    def command(self, words: dict[str, Any]) -> dict[str, Any] | None:
        """Does it; returns what is to be answered."""
        mixer = self.mixer
        if "play" in words:
            rate = mixer.rate
            begin_s = self._line.at(HostS(float(words["at_s"])))
            first = max(mixer.frame, round(begin_s * rate))
            skipped = round(float(words["position_s"]) * rate)
            samples = self._files[int(words["play"])]
            mixer.part = _Part(samples, first - skipped, first, _NEVER, _NEVER)
            place = {"stream_s": first / rate, "position_s": skipped / rate}
            return {"begins": words["number"], **place}
        part = mixer.part
        if part is not None and ("stop" in words or "fade" in words):
            at_s = HostS(float(words["fade" if "fade" in words else "stop"]))
            mixer.part = self._ended(part, at_s, fade="fade" in words)
        return None

    def _ended(self, part: _Part, at_s: HostS, *, fade: bool) -> _Part:
        """From then on there is only ever less of it, whatever it was told before."""
        at = max(self.mixer.frame, round(self._line.at(at_s) * self.mixer.rate))
        if not fade or at <= part.first:  # what has not begun need not fade
            return part._replace(end=min(part.end, at))
        faded = min(part.faded, at + round(FADE_S * self.mixer.rate))
        return part._replace(end=min(part.end, faded), faded=faded)


def _say(words: dict[str, Any]) -> None:
    """Never waits: what a stalled daemon does not read is lost, and the next report is newer."""
    with contextlib.suppress(BlockingIOError, BrokenPipeError):
        os.write(1, json.dumps(words).encode() + b"\n")


def _open(device: str | None) -> tuple[Mixer, Any, str]:
    """What fills a running output stream, the stream, and the device's name. Raises what keeps it
    from running."""
    import sounddevice as sd  # noqa: PLC0415  # pyright: ignore[reportMissingTypeStubs]

    info: Any = sd.query_devices(device, "output")  # pyright: ignore[reportUnknownMemberType]
    rate = float(info["default_samplerate"])
    mixer = Mixer(rate)

    def on_block(out: Samples, frames: int, at: Any, status: Any) -> None:
        now_s = time.monotonic()
        # A device that is connected to nothing tells no times at all.
        ahead_s = max(0.0, at.outputBufferDacTime - at.currentTime)
        mixer.fill(out, now_s + ahead_s, bool(status.output_underflow))

    stream = sd.OutputStream(
        samplerate=rate, channels=_CHANNELS, dtype="float32", device=device, callback=on_block
    )
    stream.start()
    return mixer, stream, info["name"]


def attend(desk: Desk, lines: Iterator[list[bytes]]) -> None:
    """Until `lines` (those that came within a report's time) end."""
    waiting: list[bytes] = []
    for came in lines:
        waiting += came
        if (report := desk.observe()) is not None:
            _say(report)  # first: what begins is told in the clock's own seconds
        if desk.knows_the_time:
            for line in waiting:
                if (answer := desk.command(json.loads(line))) is not None:
                    _say(answer)
            waiting.clear()


def _lines(first: bytes) -> Iterator[list[bytes]]:
    """Those of standard input that came within a report's time, until it ends; `first`: read
    already."""
    waiting = first
    while True:
        *lines, waiting = waiting.split(b"\n")
        yield lines
        if select.select([0], [], [], REPORT_S)[0]:
            data = os.read(0, 65536)
            if not data:
                return
            waiting += data


def main() -> None:
    """Until standard input ends."""
    os.set_blocking(1, False)
    began = b""
    while b"\n" not in began:
        data = os.read(0, 65536)
        if not data:
            return
        began += data
    line, _, rest = began.partition(b"\n")
    setting: dict[str, Any] = json.loads(line)
    try:
        mixer, stream, name = _open(setting["device"])
        files = {int(i): load(Path(p), float(g), mixer.rate) for i, p, g in setting["files"]}
    except Exception as error:  # no library, no device, no rate, no file: all the same to a show
        _say({"missing": str(error) or repr(error)})
        return
    _say({"rate": mixer.rate, "device": name})
    attend(Desk(mixer, files), _lines(rest))
    stream.stop()


if __name__ == "__main__":
    main()
