"""The operator's reset, in simulated time: when it is possible, and what it leaves alone."""

from __future__ import annotations

import pytest

from bridge.engine import Act
from bridge.interlock import State
from bridge.link.line_noise import LineNoise
from bridge.records import ArmDenied, ResetDenied
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import State as BoardState
from firmware_protocol.catalogue import StopSource
from tests.chain.racks import chord, last_end_s, states, tick, two_racks
from tests.chain.rig import (
    INPUT,
    armed,
    guard_refusals,
    note_on,
    one_coil,
)


def test_reset_then_arm_and_no_stray_pulse_in_between() -> None:
    played = two_racks()
    chord(played)
    played.stop()
    played.run_for(0.5)
    quiet_from_s = played.now_s
    played.act(Act.ARM)  # refused: tripped
    assert any(isinstance(r, ArmDenied) for _, r in played.records)
    played.act(Act.RESET)
    played.run_for(0.5)
    assert played.engine.interlock.state is State.LOCKED
    assert states(played) == {BoardState.LOCKED}
    played.act(Act.ARM)  # the chord is still held
    played.run_for(0.5)
    assert played.engine.interlock.state is State.LOCKED
    played.act(Act.HUSH)
    played.act(Act.ARM)
    played.run_for(0.5)
    assert played.engine.interlock.state is State.ARMED
    assert all(p.start_s < quiet_from_s for pulses in played.take_pulses().values() for p in pulses)
    played.midi(INPUT, note_on(57))
    played.run_for(0.2)
    assert last_end_s(played) > quiet_from_s
    assert guard_refusals(played) == 0


def test_a_stop_that_is_not_confirmed_cannot_be_reset_away() -> None:
    played = armed(one_coil(), break_works=False)
    chord(played)
    link = played.links["North"]
    link.to_board.noise = LineNoise(1, loss=1.0)
    played.stop()
    played.run_for(0.02)
    played.act(Act.RESET)
    assert played.engine.interlock.state is State.TRIPPED
    assert any(isinstance(r, ResetDenied) for _, r in played.records)
    link.to_board.noise = None
    played.run_for(0.1)
    assert link.controller.cause is BoardCause.HOST_STOP, "the stop went on being repeated"


@pytest.mark.parametrize("deaf", ["North", "South"])
def test_a_refused_reset_clears_no_other_boards_trip(deaf: str) -> None:
    played = two_racks()
    chord(played)
    played.stop()
    played.run_for(0.3)
    played.links[deaf].to_board.noise = LineNoise(1, loss=1.0)
    # A status still comes, but this stop is confirmed by nobody until then.
    played.stop()
    played.act(Act.RESET)
    played.run_for(1.5)
    assert any(isinstance(r, ResetDenied) for _, r in played.records)
    assert played.engine.interlock.state is State.TRIPPED
    assert states(played) == {BoardState.TRIPPED}


@pytest.mark.parametrize("unconfirmed", ["North", "South"])
def test_one_boards_refusal_asks_no_other_board(unconfirmed: str) -> None:
    played = two_racks()
    chord(played)
    played.stop()
    played.run_for(0.3)
    played.engine.sessions[unconfirmed].stop(played.now_s, StopSource.OPERATOR)
    played.act(Act.RESET)
    played.run_for(1.5)
    assert played.engine.interlock.state is State.TRIPPED
    assert states(played) == {BoardState.TRIPPED}


def test_no_reset_while_a_controller_is_silent_or_away() -> None:
    for silent in (True, False):
        played = two_racks()
        chord(played)
        tripped_at = tick(played, "North")
        played.links["North"].controller.set_inputs(tripped_at, estop_a=False)
        played.run_for(0.3)
        if silent:
            played.links["North"].take_received = lambda: []  # type: ignore[method-assign]
        else:
            played.links.pop("North")
            played.engine.link_down(played.now_s, "North", "unplugged")
        played.run_for(0.5)
        played.act(Act.RESET)
        played.run_for(1.0)
        assert played.engine.interlock.state is State.TRIPPED
