"""Two controllers with a coil each, sounding; what the tests of stops and arming look at."""

from __future__ import annotations

from bridge.virtual_site import VirtualSite
from firmware_protocol import messages as m
from firmware_protocol.catalogue import State as BoardState
from firmware_protocol.framing import encode_frame
from tests.chain.rig import (
    INPUT,
    armed,
    coil,
    note_on,
    organ,
    site,
)

STOP_S = 0.010


def two_racks() -> VirtualSite:
    return armed(
        site(
            [coil("Larkspur", "North", 1), coil("Foxglove", "South", 1)],
            music={"routes": [{"coils": ["Larkspur", "Foxglove"]}]},
        )
    )


def chord(played: VirtualSite) -> None:
    organ(played)
    for note in (48, 55, 60, 64):
        played.midi(INPUT, note_on(note, 110))
    played.run_for(0.5)


def last_end_s(played: VirtualSite) -> float:
    return max(p.start_s + p.on_s for pulses in played.take_pulses().values() for p in pulses)


def tick(played: VirtualSite, name: str) -> int:
    link = played.links[name]
    return max(link.tick_at(played.now_s), link.controller.tick)


def states(played: VirtualSite) -> set[BoardState]:
    return {link.controller.state for link in played.links.values()}


def forged(played: VirtualSite, message: m.HostMessage) -> None:
    """A second host on the line."""
    played.links["North"].write(
        played.now_s, b"\x00" + encode_frame(message.TYPE, 77, message.payload())
    )
