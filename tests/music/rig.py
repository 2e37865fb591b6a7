"""A small stage for the instrument's stories: two coils, one or two inputs, messages by name."""

from __future__ import annotations

from typing import Any, TypeVar

from bridge.config import Config
from bridge.music.events import MusicEvent
from bridge.music.instrument import Instrument
from bridge.music.voices import Hold, VoiceAsk

E = TypeVar("E", bound=MusicEvent)

ORGAN = 16
"""Program on the wire: sustains at full level, so that energies can be told exactly."""
PIANO = 0


def make_config(
    *,
    coils: tuple[str, ...] = ("Larkspur",),
    max_voices: int = 4,
    notes: dict[str, Any] | None = None,
    music: dict[str, Any] | None = None,
    max_note_s: float = 30.0,
) -> Config:
    """A lawful configuration with the given coils, all alike, and inputs "DAW" and "Keyboard"."""
    return Config.model_validate(
        {
            "site": {"name": "Depot"},
            "controller": [{"name": "Board", "port": "simulated", "board_id": "c0110001"}],
            "coil": [
                {
                    "name": name,
                    "controller": "Board",
                    "output": index + 1,
                    "min_on_time_us": 40,
                    "max_on_time_us": 150,
                    "min_off_time_us": 300,
                    "max_break_rate_hz": 900,
                    "duty_windows": [{"window_ms": 1000, "max_percent": 6}],
                    "max_voices": max_voices,
                    "notes": notes or {"lowest": 16, "highest": 95, "outside": "fold"},
                }
                for index, name in enumerate(coils)
            ],
            "input": [
                {"name": "DAW", "virtual_port": "Coilwarden", "max_note_s": max_note_s},
                {"name": "Keyboard", "port_pattern": "keys", "max_note_s": max_note_s},
            ],
            "music": music or {},
        }
    )


class Rig:
    """An instrument with a clock that the story sets, playing an organ unless told otherwise."""

    def __init__(self, config: Config | None = None, *, program: int = ORGAN) -> None:
        self.instrument = Instrument(config or make_config())
        self.t = 0.0
        for channel in range(1, 17):
            self.program(program, channel)
            self.program(program, channel, source="Keyboard")

    def send(self, *data: int, source: str = "DAW") -> None:
        self.instrument.midi(self.t, source, bytes(data))

    def on(self, key: int, velocity: int = 100, channel: int = 1, source: str = "DAW") -> None:
        self.send(0x90 | channel - 1, key, velocity, source=source)

    def off(self, key: int, channel: int = 1, source: str = "DAW") -> None:
        self.send(0x80 | channel - 1, key, 64, source=source)

    def cc(self, number: int, value: int, channel: int = 1, source: str = "DAW") -> None:
        self.send(0xB0 | channel - 1, number, value, source=source)

    def bend(self, value: int, channel: int = 1, source: str = "DAW") -> None:
        self.send(0xE0 | channel - 1, value & 0x7F, value >> 7, source=source)

    def program(self, number: int, channel: int = 1, source: str = "DAW") -> None:
        self.send(0xC0 | channel - 1, number, source=source)

    def rpn(self, parameter: int, msb: int, lsb: int | None = None, channel: int = 1) -> None:
        self.cc(101, parameter >> 8, channel)
        self.cc(100, parameter & 0x7F, channel)
        self.cc(6, msb, channel)
        if lsb is not None:
            self.cc(38, lsb, channel)

    def wait(self, seconds: float) -> None:
        """Let time pass as the daemon does: ticks while something moves or falls due."""
        end = self.t + seconds
        self.instrument.tick(self.t)
        while True:
            step = end
            if self.instrument.moving():
                step = min(step, self.t + 0.009)
            deadline = self.instrument.next_deadline_s()
            if deadline is not None:
                assert deadline > self.t, "a deadline that a tick does not clear: a busy loop"
                step = min(step, deadline)
            self.t = step
            self.instrument.tick(self.t)
            if self.t >= end:
                return

    def asks(self, coil: str = "Larkspur") -> tuple[VoiceAsk, ...]:
        return self.instrument.voices(self.t)[coil]

    def one(self, coil: str = "Larkspur") -> VoiceAsk:
        (ask,) = self.asks(coil)
        return ask

    def notes(self, coil: str = "Larkspur") -> list[int]:
        return sorted(ask.note for ask in self.asks(coil))

    def events(self, kind: type[E]) -> list[E]:
        return [e for e in self.instrument.take_events() if isinstance(e, kind)]


def holds(rig: Rig) -> dict[int, Hold]:
    return {ask.note: ask.hold for ask in rig.asks()}
