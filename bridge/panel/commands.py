"""What a page may ask, and how it travels to the daemon: values only, checked at both ends. Pure.

Every command but `stop` needs the operator's role; the web process looks at that (access.py).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

Phase = Literal["begin", "keep", "end"]
"""Of a hold: the finger comes down, is still down, is up."""
CoilName = Annotated[str, Field(min_length=1, max_length=40)]


class _Command(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Stop(_Command):
    do: Literal["stop"]


class Arm(_Command):
    do: Literal["arm"]
    phase: Phase


class Simple(_Command):
    do: Literal["disarm", "hush", "reset"]


class Mute(_Command):
    do: Literal["mute"]
    coil: CoilName
    muted: bool


class Loudness(_Command):
    do: Literal["loudness"]
    share: float = Field(ge=0, le=1)


class Bang(_Command):
    """A single bang."""

    do: Literal["bang"]
    coil: CoilName


class Rate(_Command):
    """The fixed rate, while held."""

    do: Literal["rate"]
    coil: CoilName
    phase: Phase


class SetRate(_Command):
    do: Literal["set_rate"]
    coil: CoilName
    break_rate_hz: float = Field(ge=1, le=500)


class Step(_Command):
    """One step longer or shorter."""

    do: Literal["step"]
    coil: CoilName
    way: Literal["longer", "shorter"]


class Other(_Command):
    """Something the command that runs the site has registered: show:next, show:pause, ..."""

    do: Literal["other"]
    name: str = Field(pattern=r"^[a-z]+:[a-z_]+$", max_length=40)
    phase: Phase | None = None


Command = Stop | Arm | Simple | Mute | Loudness | Bang | Rate | SetRate | Step | Other
_COMMAND: TypeAdapter[Command] = TypeAdapter(Annotated[Command, Field(discriminator="do")])


class Asked(_Command):
    """From the web process to the daemon: who asks for what."""

    kind: Literal["asked"] = "asked"
    seat: int
    """The connection it came by; holds belong to it. 0: none, for a stop by plain HTTP."""
    who: str = Field(max_length=80)
    command: Annotated[Command, Field(discriminator="do")]
    receipt: int = 0
    """Answered with the same number, where not 0."""


class Gone(_Command):
    """A connection ended: whatever it held is let go."""

    kind: Literal["gone"] = "gone"
    seat: int


class Ready(_Command):
    """The page is served."""

    kind: Literal["ready"] = "ready"
    address: str


class Trouble(_Command):
    """Something the operator should read."""

    kind: Literal["trouble"] = "trouble"
    text: str = Field(max_length=400)
    fatal: bool


Said = Asked | Gone | Ready | Trouble
_SAID: TypeAdapter[Said] = TypeAdapter(Annotated[Said, Field(discriminator="kind")])


def parse_command(text: str | bytes) -> Command:
    """From a page. Raises ValueError."""
    return _COMMAND.validate_json(text)


def parse_said(text: str | bytes) -> Said:
    """From the web process. Raises ValueError."""
    return _SAID.validate_json(text)
