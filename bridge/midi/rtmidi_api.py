"""python-rtmidi with types: the few calls we use, and its errors turned into ours."""

from __future__ import annotations

import importlib
from typing import Protocol, cast


class RtMidiIn(Protocol):
    def get_ports(self) -> list[str]: ...
    def open_port(self, port: int = 0, name: str | None = None) -> object: ...
    def open_virtual_port(self, name: str | None = None) -> object: ...
    def ignore_types(
        self, sysex: bool = True, timing: bool = True, active_sense: bool = True
    ) -> None: ...
    def get_message(self) -> tuple[list[int], float] | None: ...
    def delete(self) -> None: ...


class RtMidiOut(Protocol):
    def get_ports(self) -> list[str]: ...
    def delete(self) -> None: ...


class _RtMidi(Protocol):
    API_LINUX_ALSA: int
    API_UNIX_JACK: int
    API_MACOSX_CORE: int
    API_WINDOWS_MM: int
    RtMidiError: type[Exception]

    def get_compiled_api(self) -> list[int]: ...
    def MidiIn(self, rtapi: int, name: str, queue_size_limit: int) -> RtMidiIn: ...
    def MidiOut(self, rtapi: int, name: str) -> RtMidiOut: ...


rtmidi = cast(_RtMidi, cast(object, importlib.import_module("rtmidi")))

API_NUMBERS: dict[str, int] = {
    "alsa": rtmidi.API_LINUX_ALSA,
    "jack": rtmidi.API_UNIX_JACK,
    "coremidi": rtmidi.API_MACOSX_CORE,
    "windows": rtmidi.API_WINDOWS_MM,
}

QUEUE_MESSAGES = 16_384
"""Of the library's own queue. It fills only if the reading thread cannot run for seconds."""

# The library raises SystemError from constructors and its own family elsewhere.
RTMIDI_ERRORS: tuple[type[Exception], ...] = (
    SystemError, RuntimeError, OSError, ValueError, rtmidi.RtMidiError,
)  # fmt: skip


def compiled_apis() -> set[str]:
    """The names of the APIs this build of the library has."""
    numbers = set(rtmidi.get_compiled_api())
    return {name for name, number in API_NUMBERS.items() if number in numbers}


def open_input(api: str, client: str) -> RtMidiIn:
    """An input client that passes everything, active sensing, timing and system exclusive too.

    Raises one of RTMIDI_ERRORS. Holds the interpreter while it talks to the MIDI service.
    """
    port = rtmidi.MidiIn(API_NUMBERS[api], client, QUEUE_MESSAGES)
    port.ignore_types(sysex=False, timing=False, active_sense=False)
    return port


def output_names(api: str, client: str) -> list[str]:
    """The ports of others that receive MIDI. Raises one of RTMIDI_ERRORS."""
    port = rtmidi.MidiOut(API_NUMBERS[api], client)
    try:
        return port.get_ports()
    finally:
        port.delete()


def next_message(port: RtMidiIn) -> tuple[bytes, float] | None:
    """The oldest waiting message and the seconds since the one before it."""
    found = port.get_message()
    return None if found is None else (bytes(found[0]), found[1])
