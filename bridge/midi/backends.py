"""Which MIDI service to use on this machine."""

from __future__ import annotations

import os
import sys

from bridge.midi.jack_backend import JackBackend
from bridge.midi.parts import Backend, MidiPortError
from bridge.midi.rtmidi_api import API_NUMBERS, compiled_apis
from bridge.midi.system_backend import SystemBackend

API_VARIABLE = "COILWARDEN_MIDI_API"


def open_backend(choice: str | None = None) -> Backend:
    """The backend named by `choice`, else by COILWARDEN_MIDI_API, else the first that works.

    Without a choice: CoreMIDI on macOS, Windows' own on Windows; elsewhere ALSA, then JACK.
    Raises MidiPortError saying what is missing and the way out.
    """
    wanted = choice or os.environ.get(API_VARIABLE, "")
    if wanted:
        if wanted not in API_NUMBERS:
            allowed = ", ".join(sorted(API_NUMBERS))
            raise MidiPortError(f'{API_VARIABLE} is "{wanted}"; allowed: {allowed}')
        return _open(wanted)
    if sys.platform == "darwin":
        return _open("coremidi")
    if sys.platform == "win32":
        return _open("windows")
    reasons: list[str] = []
    for api in ("alsa", "jack"):
        try:
            return _open(api)
        except MidiPortError as error:
            reasons.append(f"{api}: {error}")
    raise MidiPortError("no MIDI service is usable here. " + "; ".join(reasons))


def _open(api: str) -> Backend:
    if api != "jack":
        return SystemBackend(api)
    if "jack" not in compiled_apis():
        raise MidiPortError("the MIDI library here is built without JACK")
    try:
        return JackBackend()
    except MidiPortError as error:
        raise MidiPortError(
            f"{error}: start one (JACK_DEFAULT_SERVER says which is meant), or load the ALSA "
            'sequencer with "modprobe snd-seq"'
        ) from error
