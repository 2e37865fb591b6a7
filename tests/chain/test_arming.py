"""Arming and what ends it without a trip, in simulated time."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.engine import Act
from bridge.interlock import Cause, State
from bridge.link.simulated_settings import BoardSettings
from bridge.music.instrument import Instrument
from bridge.records import InterlockChanged
from bridge.virtual_site import VirtualSite
from firmware_protocol import messages as m
from firmware_protocol.catalogue import ResetCause
from firmware_protocol.catalogue import State as BoardState
from tests.chain.racks import forged, states, tick
from tests.chain.rig import (
    INPUT,
    armed,
    coil,
    note_off,
    note_on,
    one_coil,
    organ,
    site,
)


def test_a_key_pressed_while_the_horn_sounds_does_not_sound() -> None:
    config = one_coil()
    played = armed(config, board={"North": BoardSettings(board_id=0xC0110000, horn_ms=1000)})
    played.act(Act.DISARM)
    played.run_for(0.3)
    played.act(Act.ARM)
    played.run_for(0.5)
    assert played.engine.interlock.state is State.ARMING
    played.midi(INPUT, note_on(57))
    played.run_for(1.5)
    assert played.engine.interlock.state is State.ARMED
    assert played.take_pulses()["Larkspur"] == []
    played.midi(INPUT, note_on(57))
    played.run_for(0.2)
    assert played.take_pulses()["Larkspur"]


def test_an_armed_site_that_nobody_plays_disarms_itself() -> None:
    played = armed(site([coil("Larkspur", "North", 1)], idle_disarm_s=5.0))
    since_s = played.now_s
    played.run_for(4.5)
    assert played.engine.interlock.state is State.ARMED
    played.midi(INPUT, note_on(57))
    played.run_for(0.3)
    played.midi(INPUT, note_off(57))
    played.run_for(4.0)
    assert played.engine.interlock.state is State.ARMED
    played.run_for(2.0)
    assert played.engine.interlock.state is State.LOCKED
    assert states(played) == {BoardState.LOCKED}
    assert played.now_s > since_s


def test_a_long_note_is_not_idleness() -> None:
    played = armed(site([coil("Larkspur", "North", 1)], idle_disarm_s=5.0))
    organ(played)
    played.midi(INPUT, note_on(57))
    played.run_for(8.0)
    assert played.engine.interlock.state is State.ARMED


@pytest.mark.parametrize("seed", range(8))
def test_arming_holds_out_on_a_link_with_the_most_jitter_and_loss(seed: int) -> None:
    controllers = [
        {"name": "North", "port": "simulated", "board_id": "c0110000", "link_jitter_ms": 50}
    ]
    played = armed(
        site([coil("Larkspur", "North", 1)], controllers=controllers), seed=seed, loss=0.1
    )
    assert played.engine.interlock.state is State.ARMED


def test_arming_is_all_or_none() -> None:
    played = VirtualSite(
        (config := site([coil("Larkspur", "North", 1), coil("Foxglove", "South", 1)])),
        Instrument(config),
    )
    played.connect()
    played.prove_estops()
    played.run_for(1.5)
    assert all(c.passed for c in played.engine.checks(played.now_s))
    # South goes deaf just after the checks: nothing from this host reaches it any more.
    played.links["South"].write = lambda time_s, data: None  # type: ignore[method-assign]
    asked_s = played.now_s
    played.act(Act.ARM)
    played.run_for(1.5)
    trip = played.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause in (Cause.ARMING_FAILED, Cause.STATUS_STALE)
    tripped_s = next(
        at
        for at, r in played.records
        if isinstance(r, InterlockChanged) and r.change.after is State.TRIPPED
    )
    assert tripped_s <= asked_s + 0.5 + 1e-9
    assert played.links["North"].controller.state is BoardState.TRIPPED
    assert played.take_pulses() == {"Larkspur": [], "Foxglove": []}


def test_a_stale_or_invented_nonce_cannot_arm() -> None:
    played = armed(one_coil())
    digest = played.engine.sessions["North"].setup.digest()
    played.act(Act.DISARM)
    played.run_for(0.3)
    assert played.links["North"].controller.state is BoardState.LOCKED
    for nonce in range(0x10000, 0x10000 + 40):  # every nonce issued so far in this boot, and more
        forged(played, m.Arm(nonce, digest))
        played.run_for(0.01)
    assert played.links["North"].controller.state is BoardState.LOCKED
    assert played.engine.interlock.state is State.LOCKED


CALLS: list[Callable[[VirtualSite], None]] = [
    lambda p: p.act(Act.HUSH),
    lambda p: p.act(Act.DISARM),
    lambda p: p.act(Act.RESET),
    lambda p: p.midi(INPUT, note_on(60)),
    lambda p: p.midi(INPUT, note_off(60)),
    lambda p: p.run_for(0.3),
    lambda p: p.stop(),
    lambda p: p.links["North"].controller.set_inputs(tick(p, "North"), estop_a=False),
    lambda p: p.links["North"].controller.set_inputs(tick(p, "North"), estop_a=True),
    lambda p: p.links["North"].controller.reset(tick(p, "North"), ResetCause.WATCHDOG),
    lambda p: p.engine.input_changed(p.now_s, INPUT, False, "lost"),
    lambda p: p.engine.input_changed(p.now_s, INPUT, True, "connected"),
    lambda p: p.engine.link_up(p.now_s, "North"),
    lambda p: p.engine.link_down(p.now_s, "North", "unplugged"),
]


@pytest.mark.parametrize("first", range(len(CALLS)))
def test_nothing_but_the_operators_arm_ever_arms(first: int) -> None:
    """Every pair of things that can happen, from locked: host and board never arm by themselves."""
    for second in CALLS:
        played = armed(one_coil())
        played.act(Act.DISARM)
        played.run_for(0.1)
        CALLS[first](played)
        played.run_for(0.05)
        second(played)
        played.run_for(1.0)
        assert played.engine.interlock.state in (State.LOCKED, State.TRIPPED)
        assert played.links["North"].controller.state in (BoardState.LOCKED, BoardState.TRIPPED)
        assert played.take_pulses()["Larkspur"] == []
