"""The words the MIDI input ports share: states, errors, and what a port backend must offer.

Pure: decides from what was observed, and opens nothing.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, Protocol

CLIENT_NAME = "Coilwarden"
"""How our own clients begin in the system's list of MIDI clients; the input's name follows."""


class MidiPortError(Exception):
    """MIDI ports that cannot be had; the text says what is missing and the way out."""


class PortState(StrEnum):
    ABSENT = "absent"
    """No port matches the pattern yet, or the port could not be opened yet."""
    LISTENING = "listening"
    """Our virtual port is open; nobody has connected to it yet."""
    CONNECTED = "connected"
    LOST = "lost"
    """A sender that was connected is gone. Its note-offs will not come."""
    UNWATCHED = "unwatched"
    """Our virtual port is open, but this system does not tell who is connected to it: a sender
    that dies goes unnoticed, and only `max_note_s` ends its notes."""


class Health(StrEnum):
    """Of the system's MIDI service (a JACK server can freeze or die; a kernel does not)."""

    ALIVE = "alive"
    FROZEN = "frozen"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class Source:
    """A port of somebody else that sends MIDI."""

    id: str
    """As `Wire.peers` names it."""
    name: str
    """As people see it, and as the pattern is searched in."""
    aliases: tuple[str, ...] = ()

    @property
    def client(self) -> str:
        return self.name.split(":", 1)[0]


@dataclass(frozen=True, slots=True)
class PortInfo:
    name: str
    direction: Literal["sends", "receives"]
    """Seen from the port's owner: what `sends` can be an input of ours."""
    api: str
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MidiSystem:
    """What this machine offers: the API in use, and whether it can give us virtual ports."""

    api: str
    virtual_ports: bool
    reason: str
    """Why there are no virtual ports and the way out; empty if there are."""


@dataclass(frozen=True, slots=True)
class PortStatus:
    state: PortState
    peers: tuple[str, ...]
    """Who is connected, sorted; empty if nobody is or it cannot be known."""
    note: str
    """What the operator should know (an ambiguous pattern, an error while opening), or empty."""
    dropped: int
    """Messages thrown away under a flood since the start."""


class Wire(Protocol):
    """One input of ours at the system. Used by one thread at a time, under the reader's lock."""

    def get_message(self) -> tuple[bytes, float] | None:
        """The oldest unread message and the seconds since the one before it; None: no more."""
        ...

    def connect(self, source: Source) -> None:
        """Listens to the source. Raises MidiPortError."""
        ...

    def peers(self) -> frozenset[str] | None:
        """The ids of the ports connected to this one; None: this system does not tell."""
        ...

    def detach(self) -> None:
        """Cuts every connection, so that nothing arrives while the wire is closed."""
        ...

    def close(self) -> None: ...


class Backend(Protocol):
    """The system's MIDI service. Owned by one thread."""

    @property
    def system(self) -> MidiSystem: ...

    def health(self) -> Health: ...

    def reopen(self) -> bool:
        """After GONE: tries to reach the service again; says whether it did."""
        ...

    def sources(self) -> list[Source]: ...

    def destinations(self) -> list[str]:
        """Names of the ports of others that receive MIDI."""
        ...

    def open_virtual(self, client: str, port: str) -> Wire:
        """A port of ours that others can connect to. Raises MidiPortError."""
        ...

    def open_listener(self, client: str, port: str) -> Wire:
        """An input that is not connected yet. Raises MidiPortError."""
        ...

    def close(self) -> None: ...


def matching(sources: Sequence[Source], pattern: str, own_clients: Collection[str]) -> list[Source]:
    """The sources whose name or an alias contains the regular expression, upper and lower case
    alike, sorted by name then id; never one of our own clients' ports."""
    wanted = re.compile(pattern, re.IGNORECASE)
    found = [
        source
        for source in sources
        if source.client not in own_clients
        and any(wanted.search(text) for text in (source.name, *source.aliases))
    ]
    return sorted(found, key=lambda source: (source.name, source.id))


def ambiguity(found: Sequence[Source], pattern: str) -> str:
    """What to tell the operator if the pattern fits several ports; empty if it does not."""
    if len(found) < 2:
        return ""
    names = ", ".join(f'"{source.name}"' for source in found)
    return (
        f'port_pattern "{pattern}" fits {len(found)} ports: {names}; '
        f'using "{found[0].name}". Make the pattern narrower.'
    )


def changes(
    state: PortState, known: frozenset[str], peers: frozenset[str] | None
) -> list[PortState]:
    """The states to go through, in order, when an open port is seen with these peers.

    A peer that vanished is a loss even if others remain or a new one came at once: its note-offs
    will not come. `peers` None: the system does not tell.
    """
    if peers is None:
        return [] if state is PortState.UNWATCHED else [PortState.UNWATCHED]
    steps: list[PortState] = []
    if known - peers and state is not PortState.LOST:
        steps.append(PortState.LOST)
    last = steps[-1] if steps else state
    if peers and last is not PortState.CONNECTED:
        steps.append(PortState.CONNECTED)
    elif not peers and last in (PortState.ABSENT, PortState.UNWATCHED):
        steps.append(PortState.LISTENING)
    return steps
