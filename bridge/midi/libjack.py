"""The few calls of the JACK client library that python-rtmidi does not pass on.

Through ctypes, which lets the interpreter run on during a call. No Python function is ever given
to the library: its threads would have to wait for the interpreter. Source: the JACK API reference
(jack/jack.h), names and flag values from memory, tried against a running server.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import os
from collections.abc import Sequence
from ctypes import POINTER, c_char_p, c_int, c_uint, c_uint32, c_ulong, c_void_p
from pathlib import Path

from bridge.midi import rtmidi_api as _loads_libjack  # noqa: F401 # pyright: ignore[reportUnusedImport]
from bridge.midi.parts import MidiPortError

MIDI_TYPE = b"8 bit raw midi"
IS_INPUT = 0x1
IS_OUTPUT = 0x2
_NO_START_SERVER = 0x01
_Names = Sequence[bytes | None]
"""An array of C strings that ends with a null pointer; a null pointer itself is false."""
_SEM_BYTES = 64  # sem_t is 32 bytes on 64-bit Linux; room to spare


def _library_path() -> str | None:
    """The very file python-rtmidi has loaded, so that both talk to the same library."""
    try:
        maps = Path("/proc/self/maps").read_text()
    except OSError:
        maps = ""
    for line in maps.splitlines():
        columns = line.split(maxsplit=5)
        if len(columns) == 6 and Path(columns[5]).name.startswith("libjack"):
            return columns[5]
    return ctypes.util.find_library("jack")


def _load() -> ctypes.CDLL:
    path = _library_path()
    if path is None:
        raise MidiPortError("the JACK client library (libjack) is not installed")
    # A client must never start a server of its own: it would be a server nobody chose.
    os.environ.setdefault("JACK_NO_START_SERVER", "1")
    try:
        jack = ctypes.CDLL(path)
    except OSError as error:
        raise MidiPortError(f"the JACK client library does not load: {error}") from error
    jack.jack_client_open.restype = c_void_p
    jack.jack_client_open.argtypes = [c_char_p, c_int, c_void_p]
    jack.jack_client_close.argtypes = [c_void_p]
    jack.jack_get_client_name.restype = c_char_p
    jack.jack_get_client_name.argtypes = [c_void_p]
    jack.jack_on_shutdown.argtypes = [c_void_p, c_void_p, c_void_p]
    jack.jack_activate.argtypes = [c_void_p]
    jack.jack_last_frame_time.restype = c_uint32
    jack.jack_last_frame_time.argtypes = [c_void_p]
    jack.jack_get_ports.restype = POINTER(c_char_p)
    jack.jack_get_ports.argtypes = [c_void_p, c_char_p, c_char_p, c_ulong]
    jack.jack_port_by_name.restype = c_void_p
    jack.jack_port_by_name.argtypes = [c_void_p, c_char_p]
    jack.jack_port_get_all_connections.restype = POINTER(c_char_p)
    jack.jack_port_get_all_connections.argtypes = [c_void_p, c_void_p]
    jack.jack_port_get_aliases.argtypes = [c_void_p, POINTER(c_char_p)]
    jack.jack_connect.argtypes = [c_void_p, c_char_p, c_char_p]
    jack.jack_disconnect.argtypes = [c_void_p, c_char_p, c_char_p]
    jack.jack_free.argtypes = [c_void_p]
    jack.jack_port_name_size.restype = c_int
    jack.jack_set_error_function.argtypes = [c_void_p]
    jack.jack_set_info_function.argtypes = [c_void_p]
    # The library prints each failed try to reach a server. A C function that takes a text and
    # does nothing with it keeps it quiet; a Python one would need the interpreter.
    quiet = ctypes.cast(ctypes.CDLL(None).strlen, c_void_p)
    jack.jack_set_error_function(quiet)
    jack.jack_set_info_function(quiet)
    return jack


_open_clients: set[JackClient] = set()
"""The library shares its view of the server among all clients of a process: while one is open on
a server that has ended, a new one would crash."""


class JackClient:
    """A client without ports that sees the graph. Raises MidiPortError if no server answers."""

    def __init__(self, name: str) -> None:
        if any(other.gone() for other in _open_clients):
            raise MidiPortError("the JACK server has ended, and its clients are being cleared away")
        self._jack = _load()
        self._libc = ctypes.CDLL(None)
        # Never freed while the library may still post to it, hence an attribute of its own that
        # close() leaves alone.
        self._gone = ctypes.create_string_buffer(_SEM_BYTES)
        self._libc.sem_init(self._gone, c_int(0), c_uint(0))
        self._is_gone = False
        client: int | None = self._jack.jack_client_open(name.encode(), _NO_START_SERVER, None)
        if client is None:
            server = os.environ.get("JACK_DEFAULT_SERVER", "default")
            raise MidiPortError(f'no JACK server named "{server}" answers')
        self._client: int | None = client
        # The server's end posts a semaphore, in C: the library's thread needs no interpreter.
        post = ctypes.cast(self._libc.sem_post, c_void_p)
        self._jack.jack_on_shutdown(client, post, ctypes.cast(self._gone, c_void_p))
        self._jack.jack_activate(client)
        _open_clients.add(self)

    def gone(self) -> bool:
        """The server ended. Once true, always true."""
        if not self._is_gone:
            self._is_gone = self._libc.sem_trywait(self._gone) == 0
        return self._is_gone

    def frame_time(self) -> int:
        """Frames at the start of the current cycle; it stands still if the server does."""
        return int(self._jack.jack_last_frame_time(self._client))

    def ports(self, flags: int) -> list[str]:
        """Full names ("client:port") of the MIDI ports with these flags."""
        return self._names(self._jack.jack_get_ports(self._client, None, MIDI_TYPE, flags))

    def connections(self, port: str) -> list[str] | None:
        """Full names of the ports connected to the port; None: there is no such port."""
        handle = self._jack.jack_port_by_name(self._client, port.encode())
        if handle is None:
            return None
        return self._names(self._jack.jack_port_get_all_connections(self._client, handle))

    def aliases(self, port: str) -> tuple[str, ...]:
        """Other names of the port; for hardware, often the only ones that name the device."""
        handle = self._jack.jack_port_by_name(self._client, port.encode())
        if handle is None:
            return ()
        size = int(self._jack.jack_port_name_size())
        buffers = [ctypes.create_string_buffer(size) for _ in range(2)]
        array = (c_char_p * 2)(*(ctypes.addressof(buffer) for buffer in buffers))
        count = int(self._jack.jack_port_get_aliases(handle, array))
        return tuple(b.value.decode(errors="replace") for b in buffers[: max(0, count)])

    def connect(self, source: str, destination: str) -> bool:
        """True if the two are connected afterwards."""
        done = int(self._jack.jack_connect(self._client, source.encode(), destination.encode()))
        return done == 0 or source in (self.connections(destination) or [])

    def disconnect(self, source: str, destination: str) -> None:
        self._jack.jack_disconnect(self._client, source.encode(), destination.encode())

    def _names(self, array: _Names) -> list[str]:
        if not array:
            return []
        names: list[str] = []
        while (name := array[len(names)]) is not None:
            names.append(name.decode(errors="replace"))
        self._jack.jack_free(array)
        return names

    def close(self) -> None:
        """Leaves the server. Not to be called while the server is frozen: it would wait for it."""
        if self._client is not None:
            self._jack.jack_client_close(self._client)
            self._client = None
            _open_clients.discard(self)
