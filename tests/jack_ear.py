"""A client of a JACK server that hears clicks in the very cycle in which they are played.

No latency of a second audio stream comes in. A dummy server's cycles lie on a grid of this
computer's monotonic clock (JACK's own time), and a cycle can begin late, never early: the least
late cycles near a click tell where the grid lies. Plain libjack through ctypes.
"""

from __future__ import annotations

import ctypes as c
import time
from types import TracebackType
from typing import Any, Self

import numpy as np

from tests.end_to_end.rig import wait_until

RATE = 48_000
NEAR_S = 1.5
"""The grid is looked for so near a click ..."""
UNSURE_S = 0.03
"""... and on this side of the next xrun, at which the driver begins a new one: nor so near that."""
_AUDIO = b"32 bit float mono audio"
_IS_INPUT, _IS_OUTPUT = 1, 2
_PLAYBACK = 1
"""JackPlaybackLatency: how long until a frame of this port is heard."""


class _Range(c.Structure):
    _fields_ = [("least", c.c_uint32), ("most", c.c_uint32)]


_Process = c.CFUNCTYPE(c.c_int, c.c_uint32, c.c_void_p)
_XRun = c.CFUNCTYPE(c.c_int, c.c_void_p)


def _library() -> Any:
    jack = c.CDLL("libjack.so.0")
    for name in ("client_open", "port_register", "port_by_name", "port_get_buffer"):
        getattr(jack, f"jack_{name}").restype = c.c_void_p
    jack.jack_get_ports.restype = c.POINTER(c.c_char_p)
    jack.jack_port_get_connections.restype = c.POINTER(c.c_char_p)
    jack.jack_port_get_all_connections.restype = c.POINTER(c.c_char_p)
    jack.jack_port_name.restype = c.c_char_p
    return jack


class Ear:
    """`with Ear(server) as ear`: hears from `listen` on."""

    def __init__(self, server: str) -> None:
        self.cycles: list[tuple[int, float]] = []
        """(the server's frame at the cycle's begin, host time at which we were called in it)."""
        self.clicks: list[int] = []
        """The server's frames."""
        self.xruns_s: list[float] = []
        """Host times at which the server said that it was late."""
        self.latency_s = 0.0
        """From a cycle's begin until its frames leave the loudspeaker, as the server says."""
        self._jack = jack = _library()
        # JackNoStartServer | JackServerName
        self._client = c.c_void_p(
            jack.jack_client_open(b"ear", c.c_int(1 | 4), None, server.encode())
        )
        if not self._client:
            raise OSError(f"no JACK server {server!r}")
        self._port = c.c_void_p(
            jack.jack_port_register(self._client, b"in", _AUDIO, c.c_ulong(_IS_INPUT), c.c_ulong(0))
        )
        self._callback = _Process(self._on_cycle)
        jack.jack_set_process_callback(self._client, self._callback, None)
        self._on_xrun = _XRun(self._xrun)
        jack.jack_set_xrun_callback(self._client, self._on_xrun, None)

    def _on_cycle(self, count: int, _: Any) -> int:
        called_s = time.monotonic()
        frame = self._jack.jack_last_frame_time(self._client)
        buffer = self._jack.jack_port_get_buffer(self._port, c.c_uint32(count))
        samples = np.ctypeslib.as_array(c.cast(buffer, c.POINTER(c.c_float)), (count,))
        self.cycles.append((frame, called_s))
        self.clicks += [frame + int(i) for i in np.flatnonzero(np.abs(samples) > 0.5)]
        return 0

    def _xrun(self, _: Any) -> int:
        self.xruns_s.append(time.monotonic())
        return 0

    def __enter__(self) -> Self:
        self._jack.jack_activate(self._client)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._jack.jack_deactivate(self._client)
        self._jack.jack_client_close(self._client)

    def listen(self, timeout_s: float = 30.0) -> None:
        """Waits for somebody who plays to the server's loudspeaker, and hears them too."""
        jack = self._jack
        speaker = c.c_void_p(jack.jack_port_by_name(self._client, b"system:playback_1"))

        def player() -> bytes | None:
            names = jack.jack_port_get_all_connections(self._client, speaker)
            return names[0] if names else None

        name = wait_until(player, "somebody who plays", timeout_s)
        jack.jack_connect(self._client, name, jack.jack_port_name(self._port))
        found = _Range()
        jack.jack_port_get_latency_range(speaker, c.c_int(_PLAYBACK), c.byref(found))
        self.latency_s = found.most / RATE

    def heard_s(self) -> list[float]:
        """When each click left the loudspeaker, in host time. Left out: those so near an xrun that
        nobody can tell."""
        frames = np.array([f for f, _ in self.cycles], dtype=float)
        called_s = np.array([s for _, s in self.cycles])
        late_s = called_s - frames / RATE
        ends_s = np.array([-np.inf, *self.xruns_s, np.inf])
        found: list[float] = []
        for click in self.clicks:
            cycle = int(np.searchsorted(frames, click, side="right")) - 1
            here_s = called_s[cycle]
            index = int(np.searchsorted(ends_s, here_s))
            begin_s, end_s = ends_s[index - 1] + UNSURE_S, ends_s[index] - UNSURE_S
            near = (np.abs(called_s - here_s) < NEAR_S) & (called_s > begin_s) & (called_s < end_s)
            if begin_s < here_s < end_s:
                found.append(click / RATE + float(np.min(late_s[near])) + self.latency_s)
        return found
