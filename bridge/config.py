"""The site, its controllers, coils, inputs and music settings, as the user writes them in TOML.

Every physical quantity carries its unit in its name. Unknown keys are refused. Nothing here reads
a port or a clock; `load_config` reads one file and either returns a whole, checked `Config` or
raises `ConfigError` naming file, key path, the value found and what is allowed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, PrivateAttr, model_validator

from bridge.config_errors import parse, read_text
from bridge.config_panel import Panel
from bridge.config_power import Audience, Mains, Supply, Tank
from bridge.config_section import Name, Section
from bridge.stops.config_stops import DeadManSwitch, Stop, StopNote
from bridge.telemetry.config_mqtt import Mqtt
from bridge.voice_priority import LivePriority

MidiNote = Annotated[int, Field(ge=0, le=127)]
MidiChannel = Annotated[int, Field(ge=1, le=16)]
Outside = Literal["fold", "drop", "error"]

SIMULATED_PORT = "simulated"
"""A controller with this port is the in-process simulated controller: no hardware is opened."""


class Site(Section):
    name: Name
    air_temperature_c: float = Field(default=10.0, ge=-40, le=50)
    loudspeaker_distance_m: float | None = Field(default=None, ge=0, le=500)
    """From the loudspeakers to the middle of the audience; absent: no backing audio."""
    idle_disarm_s: float = Field(default=600.0, ge=5, le=7200)
    """An armed site that nobody plays for this long disarms itself."""
    state_directory: Path | None = Field(default=None, strict=False)
    """Where the trip latch is kept; absent: the user's state directory."""
    require_todays_proof: bool = False
    """Arming needs every stop of the site pressed today with `coilwarden prove-stop`."""
    mains: Mains | None = None
    audience: Audience | None = None


class SimulatedBoard(Section):
    """Settings of the in-process simulated controller (only with port = "simulated")."""

    clock_error_ppm: float = Field(default=0.0, ge=-6000, le=6000)


class Controller(Section):
    name: Name
    port: str = Field(min_length=1)
    """A serial device, a pyserial URL, or "simulated"."""
    baud: int = Field(default=500_000, ge=115_200, le=4_000_000)
    board_id: str = Field(pattern=r"^[0-9a-fA-F]{8}$")
    """Eight hexadecimal digits, as commissioned on the board itself."""
    link_jitter_ms: float = Field(default=5.0, ge=0, le=50)
    """The most by which a frame's arrival may vary; the governor allows for it."""
    simulated: SimulatedBoard = SimulatedBoard()

    @model_validator(mode="after")
    def _simulated_only(self) -> Self:
        if "simulated" in self.model_fields_set and self.port != SIMULATED_PORT:
            raise ValueError(
                f'simulated settings need port = "{SIMULATED_PORT}", but port is "{self.port}"'
            )
        return self


class DutyWindow(Section):
    window_ms: int = Field(ge=5, le=10_000)
    max_percent: float = Field(gt=0, le=12)


class CurvePoint(Section):
    break_rate_hz: float = Field(gt=0, le=5000)
    max_on_time_us: float = Field(gt=0, le=400)


class NoteRange(Section):
    lowest: MidiNote = 16
    highest: MidiNote = 95
    """Not given: the highest note that the coil can play loud and soft."""
    outside: Outside = "fold"
    """What becomes of a note outside the range: moved by octaves into it, dropped, or an error."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.highest < self.lowest:
            raise ValueError(f"highest ({self.highest}) is below lowest ({self.lowest})")
        return self


class SoftStart(Section):
    bangs: int = Field(default=0, ge=0, le=500)
    """Over how many bangs the on-time grows from breakout to what was asked; 0: no soft-start."""
    after_silence_ms: float = Field(default=2000.0, ge=100, le=60_000)


class Coil(Section):
    name: Name
    controller: Name
    output: int = Field(ge=1, le=4)
    min_on_time_us: float = Field(ge=5, le=400)
    """The shortest pulse that still breaks out."""
    max_on_time_us: float = Field(ge=5, le=400)
    on_time_curve: tuple[CurvePoint, ...] = Field(default=(), strict=False)
    """Longest on-time against break rate, linear between points, flat beyond them."""
    min_off_time_us: float = Field(ge=100, le=20_000)
    max_break_rate_hz: int = Field(ge=10, le=2000)
    """Pulses in any one second, all voices together."""
    duty_windows: tuple[DutyWindow, ...] = Field(min_length=1, max_length=3, strict=False)
    max_voices: int = Field(default=4, ge=1, le=4)
    notes: NoteRange = NoteRange()
    soft_start: SoftStart = SoftStart()
    distance_to_audience_m: float | None = Field(default=None, ge=0, le=500)
    tank: Tank | None = None
    supply: Supply | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.max_on_time_us < self.min_on_time_us:
            raise ValueError(
                f"max_on_time_us ({self.max_on_time_us:g}) is below min_on_time_us "
                f"({self.min_on_time_us:g})"
            )
        rates = [p.break_rate_hz for p in self.on_time_curve]
        if any(b <= a for a, b in pairwise(rates)):
            raise ValueError("on_time_curve must have rising break_rate_hz")
        for point in self.on_time_curve:
            if not self.min_on_time_us <= point.max_on_time_us <= self.max_on_time_us:
                raise ValueError(
                    f"on_time_curve at {point.break_rate_hz:g} Hz: max_on_time_us "
                    f"({point.max_on_time_us:g}) must lie between min_on_time_us "
                    f"({self.min_on_time_us:g}) and max_on_time_us ({self.max_on_time_us:g})"
                )
        windows = [w.window_ms for w in self.duty_windows]
        if len(set(windows)) != len(windows):
            raise ValueError("duty_windows has the same window_ms twice")
        if len([w for w in windows if w != 1000]) > 2:
            raise ValueError(
                "duty_windows: the controller keeps its 1000 ms window and two more; "
                "give at most two others"
            )
        return self


class Input(Section):
    name: Name
    virtual_port: str | None = Field(default=None, min_length=1, max_length=60)
    port_pattern: str | None = Field(default=None, min_length=1)
    """A regular expression searched for in hardware ports' names, any case."""
    timing: Literal["immediate", "fixed_delay"] = "immediate"
    delay_ms: float = Field(default=0.0, ge=0, le=150)
    max_note_s: float = Field(default=30.0, ge=0.5, le=600)
    """A note this old without a new event for it fades out."""
    on_loss: Literal["release", "trip"] = "release"
    stop_controller: int | None = Field(default=None, ge=0, le=119)
    """A controller (CC) of this input that stops everything at a value of 64 or more, on any
    channel. A convenience beside the emergency button, never instead of it."""
    stop_note: StopNote | None = None
    """A note of this input that stops everything when struck; it plays nothing."""

    @model_validator(mode="after")
    def _one_port(self) -> Self:
        if (self.virtual_port is None) == (self.port_pattern is None):
            raise ValueError("give exactly one of virtual_port and port_pattern")
        if self.port_pattern is not None:
            try:
                re.compile(self.port_pattern)
            except re.error as error:
                raise ValueError(f"port_pattern is not a regular expression: {error}") from error
        if (self.timing == "fixed_delay") != (self.delay_ms > 0):
            raise ValueError(
                'timing = "fixed_delay" needs delay_ms above 0, and "immediate" needs none'
            )
        return self


class Route(Section):
    channels: tuple[MidiChannel, ...] = Field(
        default=tuple(range(1, 17)), min_length=1, strict=False
    )
    lowest_note: MidiNote = 0
    highest_note: MidiNote = 127
    coils: tuple[Name, ...] = Field(min_length=1, strict=False)
    deal: Literal["all", "spread"] = "all"
    """all: every coil plays every note. spread: the notes of a chord are dealt over the coils."""
    outside: Outside | None = None
    """Overrides the coil's own rule for notes outside its range."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.highest_note < self.lowest_note:
            raise ValueError(
                f"highest_note ({self.highest_note}) is below lowest_note ({self.lowest_note})"
            )
        for key, values in (("channels", self.channels), ("coils", self.coils)):
            if len(set(values)) != len(values):
                raise ValueError(f"{key} names the same one twice: {_listed(values)}")
        return self


class Stealing(Section):
    """Weights of the score that decides which voice yields to a new note; the highest goes."""

    released: float = Field(default=8.0, ge=0, le=100)
    pedalled: float = Field(default=4.0, ge=0, le=100)
    inner: float = Field(default=2.0, ge=0, le=100)
    quiet: float = Field(default=1.5, ge=0, le=100)
    age_per_s: float = Field(default=0.5, ge=0, le=100)
    priority_channel: float = Field(default=16.0, ge=0, le=100)
    """Taken away from the score of a voice on the priority channel."""


class Music(Section):
    a4_hz: float = Field(default=440.0, ge=400, le=480)
    bend_range_semitones: float = Field(default=2.0, ge=0, le=96)
    velocity_exponent: float = Field(default=1.5, ge=0.2, le=6)
    """Energy share = (velocity / 127) to this power."""
    volume_exponent: float = Field(default=2.0, ge=0.5, le=6)
    """Energy share = (CC 7 / 127 and CC 11 / 127) to this power each."""
    vibrato_rate_hz: float = Field(default=5.5, ge=0.1, le=12)
    vibrato_depth_cents: float = Field(default=30.0, ge=0, le=200)
    """Depth at CC 1 = 127."""
    percussion_channel: Annotated[int, Field(ge=0, le=16)] = 10
    """0: no channel is percussion."""
    priority_channel: MidiChannel | None = None
    live_priority: LivePriority = "live"
    """Whose voices sound where a live player and a score want more of a coil than it has."""
    routes: tuple[Route, ...] = Field(default=(), strict=False)
    """First match wins; none given: every channel plays on every coil, a chord spread over them."""
    stealing: Stealing = Stealing()


class Journal(Section):
    """The record of every run (`coilwarden journal`)."""

    enabled: bool = True
    directory: Path | None = Field(default=None, strict=False)
    """Where the journals lie; absent: `journal` in the state directory."""
    max_mb: float = Field(default=2000.0, ge=10, le=1_000_000)
    """All journals of the site together; beyond it the oldest are deleted."""


class Config(Section):
    site: Site
    controller: tuple[Controller, ...] = Field(min_length=1, max_length=4, strict=False)
    coil: tuple[Coil, ...] = Field(min_length=1, max_length=16, strict=False)
    input: tuple[Input, ...] = Field(default=(), strict=False)
    music: Music = Music()
    journal: Journal = Journal()
    stop: tuple[Stop, ...] = Field(default=(), max_length=8, strict=False)
    dead_man: DeadManSwitch | None = None
    mqtt: Mqtt | None = None
    panel: Panel = Panel()
    _text: str = PrivateAttr(default="")

    @property
    def text(self) -> str:
        """The file it was read from, word for word; "" where it was not read from one."""
        return self._text

    @model_validator(mode="after")
    def _references(self) -> Self:
        problems = [
            *_twice("controller", "name", [c.name for c in self.controller]),
            *_twice("controller", "board_id", [c.board_id.lower() for c in self.controller]),
            *_twice(
                "controller",
                "port",
                [None if c.port == SIMULATED_PORT else c.port for c in self.controller],
            ),
            *_twice("coil", "name", [c.name for c in self.coil]),
            *_twice("input", "name", [i.name for i in self.input]),
            *_twice("input", "virtual_port", [i.virtual_port for i in self.input]),
            *_twice("stop", "name", [s.name for s in self.stop]),
            *_twice("stop", "port", [s.port for s in self.stop]),
            *self._stop_references(),
            *self._coil_references(),
        ]
        coils = [c.name for c in self.coil]
        for index, route in enumerate(self.music.routes):
            if missing := [c for c in route.coils if c not in coils]:
                problems.append(
                    f"music.routes[{index + 1}].coils: there is no coil {_listed(missing)}; "
                    f"there are: {_listed(coils)}"
                )
        if problems:
            raise ValueError("\n".join(problems))
        return self

    def _stop_references(self) -> list[str]:
        problems: list[str] = []
        ports = {c.port: c.name for c in self.controller}
        for index, stop in enumerate(self.stop):
            if stop.port in ports:
                problems.append(
                    f'stop[{index + 1}].port (of "{stop.name}"): "{stop.port}" leads to controller '
                    f'"{ports[stop.port]}"; the button needs an adapter of its own'
                )
        switch = self.dead_man
        inputs = [i.name for i in self.input]
        if switch is not None and switch.input is not None and switch.input not in inputs:
            problems.append(
                f'dead_man.input: there is no input "{switch.input}"; there are: {_listed(inputs)}'
            )
        keypads = [s.name for s in self.stop if s.kind == "keypad"]
        if switch is not None and switch.stop is not None and switch.stop not in keypads:
            problems.append(
                f'dead_man.stop: there is no keypad "{switch.stop}"; there are: {_listed(keypads)}'
            )
        for index, one in enumerate(self.input):
            if switch and one.name == switch.input and one.stop_controller == switch.controller:
                problems.append(
                    f"input[{index + 1}].stop_controller: {one.stop_controller} is the dead man's "
                    "switch as well; give each a controller of its own"
                )
        return problems

    def _coil_references(self) -> list[str]:
        problems: list[str] = []
        controllers = [c.name for c in self.controller]
        taken: dict[tuple[str, int], str] = {}
        for index, coil in enumerate(self.coil):
            path, of = f"coil[{index + 1}]", f'(of "{coil.name}")'
            if coil.controller not in controllers:
                problems.append(
                    f"{path}.controller {of}: there is no controller "
                    f'"{coil.controller}"; there are: {_listed(controllers)}'
                )
            other = taken.setdefault((coil.controller, coil.output), coil.name)
            if other != coil.name:
                problems.append(
                    f"{path}.output {of}: output {coil.output} of controller "
                    f'"{coil.controller}" is already taken by coil "{other}"'
                )
        used = {c.controller for c in self.coil}
        for index, name in enumerate(controllers):
            if name not in used:
                problems.append(
                    f'controller[{index + 1}] (of "{name}"): no coil names this controller; give '
                    "it a coil or take it out"
                )
        return problems


def _twice(section: str, key: str, values: Sequence[str | None]) -> list[str]:
    """A sentence for each value that a section before it has already."""
    first: dict[str, int] = {}
    problems: list[str] = []
    for index, value in enumerate(values):
        if value is None:
            continue
        if value in first:
            problems.append(
                f'{section}[{index + 1}].{key}: "{value}" is already the {key} of '
                f"{section}[{first[value] + 1}]; each needs its own"
            )
        first.setdefault(value, index)
    return problems


def _listed(names: Sequence[int | str]) -> str:
    return ", ".join(f'"{n}"' if isinstance(n, str) else str(n) for n in names)


def parse_config(text: str, source: str) -> Config:
    """The configuration in `text`. Raises ConfigError, which names `source` and each bad key."""
    return parse(text, source, Config)


def load_config(path: Path) -> Config:
    """The configuration in the file. Raises ConfigError for an unreadable or wrong file."""
    text = read_text(path)
    config = parse_config(text, str(path))
    config._text = text  # pyright: ignore[reportPrivateUsage]  (not a key of the file)
    return config
