"""The sections of the site file on stops beside the controllers' own, and the dead man's switch."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from bridge.config_section import Name, Section


class StopNote(Section):
    """A MIDI note that stops, of one channel."""

    channel: Annotated[int, Field(ge=1, le=16)]
    note: Annotated[int, Field(ge=0, le=127)]


class Stop(Section):
    """A stop beside the emergency button, never instead of it."""

    name: Name
    kind: Literal["button_line", "keypad"]
    """button_line: a normally-closed button between RTS and CTS of a serial adapter of its own.
    keypad: a USB keypad of its own, whose every key stops."""
    port: str = Field(min_length=1)
    """The adapter's serial device, or the keypad's file under /dev/input/by-id."""


class DeadManSwitch(Section):
    """Silent unless somebody holds it."""

    source: Literal["midi_controller", "keypad", "panel"]
    input: Name | None = None
    """midi_controller: the input it comes from."""
    controller: Annotated[int, Field(ge=0, le=119)] = 64
    """midi_controller: held at a value of 64 or more, on any channel."""
    stop: Name | None = None
    """keypad: the [[stop]] that has the key."""
    key_code: Annotated[int, Field(ge=1, le=0x2FF)] = 28
    """keypad: the key's code in the kernel's input-event-codes.h; this one key does not stop."""
    latch_after_s: float = Field(default=2.0, ge=0.1, le=60)
    """Let go for so long while armed, it trips."""

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if (self.source == "midi_controller") != (self.input is not None):
            raise ValueError('source = "midi_controller" needs input, and the others need none')
        if (self.source == "keypad") != (self.stop is not None):
            raise ValueError('source = "keypad" needs stop, and the others need none')
        return self
