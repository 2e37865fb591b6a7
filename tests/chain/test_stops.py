"""Every way to silence, in simulated time: the project's bounds, exact to the tick.

stop from any software source, loop alive, link flooded: 10 ms; host killed or frozen: 250 ms.
"""

from __future__ import annotations

import math

import pytest

from bridge.governor.governor import Governed
from bridge.interlock import Cause, State
from bridge.link.line_noise import LineNoise
from bridge.link.renewal import VOICES_FRAME_BYTES
from bridge.records import InterlockChanged
from firmware_protocol import messages as m
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import State as BoardState
from firmware_protocol.framing import encode_frame
from tests.chain.racks import STOP_S, chord, last_end_s, states, two_racks
from tests.chain.rig import (
    INPUT,
    armed,
    bend,
    note_on,
    one_coil,
)

DEAD_HOST_S = 0.250


@pytest.mark.parametrize(
    "cause",
    [Cause.OPERATOR_STOP, Cause.MIDI_STOP, Cause.NETWORK_STOP, Cause.SIGNAL_STOP, Cause.HOST_FAULT],
)
@pytest.mark.parametrize("late_ms", [0.0, 0.3, 0.7, 1.1, 1.9, 2.6])
def test_stop_under_flood_is_silence_within_10_ms(cause: Cause, late_ms: float) -> None:
    played = two_racks()
    chord(played)
    for step in range(300):  # 3,000 messages a second, each moving every coil
        played.midi(INPUT, bend(math.sin(step) * 150))
        for link in played.links.values():  # never more unsent than one refresh and a ping
            assert link.to_board.unsent_bytes(played.now_s) <= VOICES_FRAME_BYTES + 32
        played.run_for(1 / 3000)
    played.run_for(late_ms / 1000)
    stopped_s = played.now_s
    played.stop(cause)
    played.run_for(0.5)
    assert last_end_s(played) <= stopped_s + STOP_S
    assert played.engine.interlock.state is State.TRIPPED
    assert states(played) == {BoardState.TRIPPED}
    assert not any(s.stopping for s in played.engine.sessions.values())


def test_stop_is_repeated_until_confirmed_on_a_line_that_loses_nine_in_ten() -> None:
    # The lease alone would end in silence too, so the stop must be what the board remembers.
    stopped_by_frame = 0
    for seed in range(12):
        played = armed(one_coil(), break_works=False)
        chord(played)
        played.links["North"].to_board.noise = LineNoise(seed, loss=0.9)
        stopped_s = played.now_s
        played.stop()
        played.run_for(1.0)
        assert last_end_s(played) <= stopped_s + DEAD_HOST_S
        assert states(played) == {BoardState.TRIPPED}
        stopped_by_frame += played.links["North"].controller.cause is BoardCause.HOST_STOP
    assert stopped_by_frame == 12


def test_the_break_alone_stops_where_every_frame_is_lost() -> None:
    played = armed(one_coil())
    chord(played)
    played.links["North"].to_board.noise = LineNoise(1, loss=1.0)
    stopped_s = played.now_s
    played.stop()
    played.run_for(0.5)
    assert last_end_s(played) <= stopped_s + STOP_S
    assert played.links["North"].controller.cause is BoardCause.LINE_BREAK


def test_a_frozen_host_is_silence_within_250_ms_and_thaws_tripped() -> None:
    for sounding in (True, False):
        played = two_racks()
        if sounding:
            chord(played)
        frozen_s = played.now_s
        played.frozen = True
        played.run_for(2.0)
        assert states(played) == {BoardState.TRIPPED}
        assert {link.controller.cause for link in played.links.values()} == {
            BoardCause.LEASE_EXPIRED
        }
        if sounding:
            assert last_end_s(played) <= frozen_s + DEAD_HOST_S
        played.frozen = False
        played.run_for(1.0)
        assert played.engine.interlock.state is State.TRIPPED
        trip = played.engine.interlock.current_trip
        assert trip is not None
        assert trip.cause in (Cause.HOST_STALLED, Cause.LEASE_EXPIRED)
        assert all(
            p.start_s < frozen_s + DEAD_HOST_S
            for pulses in played.take_pulses().values()
            for p in pulses
        )


def test_a_host_that_stood_still_says_nothing_before_it_has_tripped_itself() -> None:
    """Thawed inside the lease: the first bytes it writes must be the stop, not a renewal."""
    played = armed(one_coil())
    chord(played)
    engine = played.engine
    now_s = played.now_s + 0.2001
    engine.midi(now_s, INPUT, note_on(70, 100), now_s)
    out = engine.collect(now_s, "North", 0)
    assert out is not None
    assert out.discard
    assert out.data[:1] == b"\x00"
    expected = encode_frame(m.Stop.TYPE, 0, b"\x05")
    assert len(out.data) == 1 + len(expected)
    assert engine.interlock.state is State.TRIPPED


def test_a_host_frozen_between_an_entry_and_its_writing_says_nothing_but_stop() -> None:
    played = armed(one_coil())
    chord(played)
    engine = played.engine
    engine.midi(played.now_s, INPUT, note_on(70, 100), played.now_s)
    out = engine.collect(played.now_s + 0.5, "North", 0)
    assert out is not None
    assert out.data[:1] == b"\x00"
    assert len(out.data) == 1 + len(encode_frame(m.Stop.TYPE, 0, b"\x05"))
    assert engine.interlock.state is State.TRIPPED


def test_a_governor_that_fails_delays_no_stop_and_hides_no_trip() -> None:
    played = two_racks()
    chord(played)
    last_end_s(played)

    def broken(now_s: float) -> Governed:
        raise RuntimeError("planted")

    played.engine.lines["Larkspur"].governor.silence = broken  # type: ignore[method-assign]
    stopped_s = played.now_s
    with pytest.raises(RuntimeError, match="planted"):
        played.stop()
    played.run_for(0.3)
    assert last_end_s(played) < stopped_s + STOP_S
    assert states(played) == {BoardState.TRIPPED}
    changes = [r for _, r in played.records if isinstance(r, InterlockChanged)]
    assert changes[-1].change.after is State.TRIPPED
    assert not played.engine.lines["Foxglove"].governed.voices
