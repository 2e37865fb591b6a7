"""What happens at one board, in simulated time: its inputs, a restart, foreign frames, the plug."""

from __future__ import annotations

import pytest

from bridge.engine import Act
from bridge.interlock import State
from bridge.records import ResetDenied
from firmware_protocol import messages as m
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import ResetCause
from firmware_protocol.catalogue import State as BoardState
from tests.chain.racks import STOP_S, chord, forged, tick, two_racks
from tests.chain.rig import (
    armed,
    one_coil,
)


@pytest.mark.parametrize("which", ["estop_a", "estop_b", "key", "local_stop", "ready"])
def test_a_boards_own_inputs_stop_every_board(which: str) -> None:
    played = two_racks()
    chord(played)
    now = tick(played, "North")
    opened_s = played.now_s
    inputs: dict[str, dict[str, object]] = {
        "estop_a": {"estop_a": False},
        "estop_b": {"estop_b": False},
        "key": {"key": False},
        "local_stop": {"local_stop": True},
        "ready": {"ready": {0: False}},
    }
    played.links["North"].controller.set_inputs(now, **inputs[which])  # type: ignore[arg-type]
    played.run_for(0.5)
    pulses = played.take_pulses()
    north = [p for p in pulses["Larkspur"] if p.start_s + p.on_s > opened_s + 1e-6]
    assert north == [], "its own outputs are dark at the very tick"
    assert max(p.start_s + p.on_s for p in pulses["Foxglove"]) < opened_s + STOP_S
    assert played.engine.interlock.state is State.TRIPPED
    played.act(Act.RESET)
    played.run_for(1.0)
    assert played.engine.interlock.state is State.TRIPPED, "the cause lasts"
    assert any(isinstance(r, ResetDenied) for _, r in played.records)


@pytest.mark.parametrize("cause", [ResetCause.WATCHDOG, ResetCause.BROWN_OUT, ResetCause.EXTERNAL])
def test_a_board_that_restarts_while_armed_stops_the_site(cause: ResetCause) -> None:
    played = two_racks()
    chord(played)
    reset_s = played.now_s
    played.links["North"].controller.reset(tick(played, "North"), cause)
    played.run_for(1.5)
    assert played.engine.interlock.state is State.TRIPPED
    assert (
        max(p.start_s + p.on_s for p in played.take_pulses()["Foxglove"])
        < reset_s + 0.05 + STOP_S + 0.01
    )


def test_a_foreign_session_cannot_play_it_can_only_stop() -> None:
    played = armed(one_coil())
    now = tick(played, "North") & 0xFFFF_FFFF
    slot = m.Slot(9, 0, 0, 0, 200, 0, 256 * 4000)
    forged(played, m.Voices(1, 0, 1, m.FLAG_IMMEDIATE, 0, now + 100_000, (slot,)))
    played.run_for(0.5)
    assert played.take_pulses()["Larkspur"] == []
    assert played.links["North"].controller.cause is BoardCause.WRONG_SESSION
    assert played.engine.interlock.state is State.TRIPPED


@pytest.mark.parametrize("message", [m.Hello(), m.Limits(m.OutputLimits(0, 100, 1000, 10, 1000))])
def test_setting_up_an_armed_board_trips_it(message: m.HostMessage) -> None:
    played = armed(one_coil())
    chord(played)
    forged(played, message)
    played.run_for(0.3)
    assert played.links["North"].controller.cause is BoardCause.SETUP_WHILE_ARMED
    assert played.engine.interlock.state is State.TRIPPED


def test_unplugged_the_site_trips_and_reconnection_stays_put() -> None:
    played = two_racks()
    chord(played)
    lost_s = played.now_s
    lost = played.links.pop("North")
    played.engine.link_down(played.now_s, "North", "unplugged")
    played.run_for(1.0)
    lost.advance(played.now_s)
    assert lost.controller.cause is BoardCause.LEASE_EXPIRED
    assert played.links["South"].controller.state is BoardState.TRIPPED
    assert max(p.start_s + p.on_s for p in played.take_pulses()["Foxglove"]) < lost_s + STOP_S
    played.act(Act.RESET)
    played.run_for(0.5)
    assert played.engine.interlock.state is State.TRIPPED, "still unplugged"
    lost.take_received()
    played.links["North"] = lost
    played.engine.link_up(played.now_s, "North")
    played.run_for(3.0)
    assert played.engine.interlock.state is State.TRIPPED
    assert lost.controller.state is BoardState.TRIPPED
    played.act(Act.RESET)
    played.run_for(1.0)
    assert played.engine.interlock.state is State.LOCKED
    played.run_for(3.0)
    assert played.engine.interlock.state is State.LOCKED, "nothing arms by itself"
