"""Four controllers with two coils each: one that dies takes all the others with it.

In simulated time, under a flood. 10 ms is the bound from a stop to outputs low with the loop
alive; how soon the host can know that a controller died comes on top where it is told by nobody.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import pytest

from bridge.interlock import Cause, State
from bridge.records import InterlockChanged
from bridge.virtual_site import VirtualSite
from firmware_protocol.catalogue import ResetCause
from firmware_protocol.catalogue import State as BoardState
from tests.chain.rig import (
    INPUT,
    armed,
    bend,
    between,
    coil,
    guard_refusals,
    note_on,
    organ,
    site,
    violations,
)

RACKS = ("North", "South", "East", "West")
COILS = {f"{rack} {output}": (rack, output) for rack in RACKS for output in (1, 3)}
STOP_S = 0.010
DEAD_HOST_S = 0.250
"""From the last that a controller heard of its host to dark (from the table of bounds)."""
STALE_S = 0.250
"""A status that is older counts for nothing."""
STATUS_S = 0.050
"""Between two statuses of a controller; one is sent at once on a change (PROTOCOL.md)."""


def four_racks(*, seed: int | None = None) -> VirtualSite:
    controllers = [
        {
            "name": name,
            "port": "simulated",
            "board_id": f"c01100{i:02x}",
            "link_jitter_ms": 2.0,
            "simulated": {"clock_error_ppm": ppm},
        }
        for i, (name, ppm) in enumerate(zip(RACKS, (0.0, 5000.0, -5000.0, 2500.0), strict=True))
    ]
    config = site(
        [coil(name, rack, output) for name, (rack, output) in COILS.items()],
        controllers=controllers,
        music={"routes": [{"coils": list(COILS)}]},
    )
    return armed(config, seed=seed)


def flood(played: VirtualSite, until_s: float) -> None:
    """A chord on every coil, bent 1,000 times a second."""
    for step in itertools.count():
        if played.now_s >= until_s:
            return
        played.midi(INPUT, bend(150 * math.sin(step / 5)))
        played.run_for(0.001)


def chord(played: VirtualSite) -> None:
    organ(played)
    for note in (45, 57, 64):
        played.midi(INPUT, note_on(note, 110))
    flood(played, played.now_s + 0.3)


def dark_s(played: VirtualSite, *racks: str) -> float:
    """The end of the last pulse on these racks."""
    return max(
        p.start_s + p.on_s
        for name, pulses in played.take_pulses().items()
        if COILS[name][0] in racks
        for p in pulses
    )


def tripped_s(played: VirtualSite) -> float:
    return next(
        at_s
        for at_s, record in played.records
        if isinstance(record, InterlockChanged) and record.change.after is State.TRIPPED
    )


def tick(played: VirtualSite, rack: str) -> int:
    link = played.links[rack]
    return max(link.tick_at(played.now_s), link.controller.tick)


def opens_its_estop(played: VirtualSite, rack: str) -> None:
    played.links[rack].controller.set_inputs(tick(played, rack), estop_a=False, estop_b=False)


def is_unplugged(played: VirtualSite, rack: str) -> None:
    """The operating system says so; the board hears nothing more and keeps its own time."""
    is_cut_off(played, rack)
    played.engine.link_down(played.now_s, rack, "unplugged")


def restarts(played: VirtualSite, rack: str) -> None:
    played.links[rack].controller.reset(tick(played, rack), ResetCause.WATCHDOG)


def is_cut_off(played: VirtualSite, rack: str) -> None:
    """Nobody says so: no byte comes or goes any more."""
    played.links[rack].take_received = lambda: []  # type: ignore[method-assign]
    goes_deaf(played, rack)


def goes_deaf(played: VirtualSite, rack: str) -> None:
    """The wire to the board breaks; what the board says is still heard."""
    link = played.links[rack]
    link.write = lambda time_s, data: None  # type: ignore[method-assign]
    link.to_board.hold_low = lambda time_s, duration_s: None  # type: ignore[method-assign]


DEATHS: list[tuple[Callable[[VirtualSite, str], None], float, float, set[Cause]]] = [
    (opens_its_estop, STOP_S, STOP_S, {Cause.ESTOP_OPEN}),
    (is_unplugged, STOP_S, DEAD_HOST_S, {Cause.CONTROLLER_LOST}),
    (restarts, STATUS_S + STOP_S, STOP_S, {Cause.CONTROLLER_RESTARTED, Cause.WATCHDOG_RESET}),
    (is_cut_off, STALE_S + STOP_S, DEAD_HOST_S, {Cause.STATUS_STALE}),
    (goes_deaf, DEAD_HOST_S + STOP_S, DEAD_HOST_S, {Cause.LEASE_EXPIRED}),
]
"""How it dies; how soon the others are dark, and it itself; what the host says of it."""


@pytest.mark.parametrize(
    ("rack", "death"),
    [
        *((r, DEATHS[0]) for r in RACKS[:3]),
        *zip(itertools.cycle(RACKS[::-1]), DEATHS, strict=False),
    ],
    ids=lambda value: value if isinstance(value, str) else value[0].__name__,
)
def test_one_controller_dies_and_all_are_dark(
    rack: str, death: tuple[Callable[[VirtualSite, str], None], float, float, set[Cause]]
) -> None:
    die, others_s, itself_s, causes = death
    played = four_racks(seed=RACKS.index(rack))
    chord(played)
    dies_s = played.now_s
    for name in COILS:
        assert len(between(played.take_pulses()[name], dies_s - 0.1, dies_s)) > 30, "it plays"
    die(played, rack)
    flood(played, dies_s + 0.5)
    others = [r for r in RACKS if r != rack]
    assert dark_s(played, *others) < dies_s + others_s
    assert dark_s(played, *others) < tripped_s(played) + STOP_S, "10 ms from when the host knows"
    assert dark_s(played, rack) < dies_s + itself_s
    assert {played.links[r].controller.state for r in RACKS} == {BoardState.TRIPPED}
    trip = played.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause in causes
    assert trip.origin == rack
    assert violations(played.engine.config, played) == []
    assert guard_refusals(played) == 0
