"""Every way to silence, in simulated time: the project's bounds, exact to the tick.

stop from any software source, loop alive, link flooded: 10 ms; host killed or frozen: 250 ms.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import pytest

from bridge.engine import Act
from bridge.governor.governor import Governed
from bridge.governor.reasons import Limit
from bridge.interlock import Cause, State
from bridge.link.line_noise import LineNoise, Passage
from bridge.link.renewal import VOICES_FRAME_BYTES
from bridge.link.simulated_settings import BoardSettings
from bridge.music.instrument import Instrument
from bridge.records import ArmDenied, HeldBackChanged, InterlockChanged, ResetDenied
from bridge.virtual_site import VirtualSite
from firmware_protocol import messages as m
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import ResetCause, StopSource
from firmware_protocol.catalogue import State as BoardState
from firmware_protocol.framing import encode_frame
from tests.chain.rig import (
    INPUT,
    armed,
    bend,
    between,
    coil,
    guard_refusals,
    note_off,
    note_on,
    one_coil,
    organ,
    site,
    violations,
)

STOP_S = 0.010
DEAD_HOST_S = 0.250


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


def test_hush_silences_at_once_and_stays_armed() -> None:
    played = armed(one_coil())
    chord(played)
    played.midi(INPUT, bytes((0xB0, 64, 127)))
    hushed_s = played.now_s
    played.act(Act.HUSH)
    played.run_for(0.5)
    assert last_end_s(played) < hushed_s + STOP_S
    assert played.engine.interlock.state is State.ARMED


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


def forged(played: VirtualSite, message: m.HostMessage) -> None:
    """A second host on the line."""
    played.links["North"].write(
        played.now_s, b"\x00" + encode_frame(message.TYPE, 77, message.payload())
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


def test_a_silent_status_line_trips_within_300_ms() -> None:
    played = armed(one_coil())
    chord(played)
    cut_s = played.now_s
    played.links["North"].take_received = lambda: []  # type: ignore[method-assign]
    played.run_for(0.6)
    trip = played.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause is Cause.STATUS_STALE
    assert last_end_s(played) < cut_s + 0.3 + STOP_S


class Lagging(LineNoise):
    """A line into this host that falls behind without losing anything."""

    lag_s = 0.0

    def pass_frame(self, frame: bytes) -> list[Passage]:
        return [Passage(frame, self.lag_s)]


@pytest.mark.parametrize("lag_s_per_s", [1e9, 0.2, 0.002])
def test_statuses_that_come_late_count_as_old_however_the_lag_came(lag_s_per_s: float) -> None:
    """One every 50 ms, but from ever longer ago: in one jump, in seconds, or so slowly that it
    passes for the clock's own offset."""
    config = one_coil()
    line = Lagging(1)
    played = VirtualSite(
        config,
        Instrument(config),
        noise=lambda name, direction: line if direction == "to_host" else None,
    )
    played.arm()
    begun_s = played.now_s
    while played.engine.interlock.state is State.ARMED:
        line.lag_s = min(1.0, lag_s_per_s * (played.now_s - begun_s))
        assert line.lag_s < 0.3 or played.now_s < begun_s + 0.3
        played.run_for(0.02)
    trip = played.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause in (Cause.STATUS_STALE, Cause.CLOCK_OUT)
    if lag_s_per_s < 0.01:
        assert trip.cause is Cause.STATUS_STALE
        assert line.lag_s > 0.15, "a line that lags less is good enough"


def test_a_line_that_lags_cannot_arm() -> None:
    config = one_coil()
    line = Lagging(1)
    line.lag_s = 0.6
    played = VirtualSite(
        config,
        Instrument(config),
        noise=lambda name, direction: line if direction == "to_host" else None,
    )
    played.connect()
    played.prove_estops()
    played.run_for(6.0)
    assert "North: status" in [c.name for c in played.engine.checks(played.now_s) if not c.passed]


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


def test_a_midi_controller_can_stop_and_nothing_else() -> None:
    inputs = [
        {"name": INPUT, "virtual_port": "Coilwarden", "stop_controller": 102},
        {"name": "other", "virtual_port": "Other"},
    ]
    played = armed(site([coil("Larkspur", "North", 1)], inputs=inputs))
    chord(played)
    played.midi(INPUT, bytes((0xB3, 102, 63)))  # below 64
    played.midi(INPUT, bytes((0xB3, 101, 127)))  # another controller
    played.midi("other", bytes((0xB3, 102, 127)))  # another input
    played.run_for(0.1)
    assert played.engine.interlock.state is State.ARMED
    stopped_s = played.now_s
    played.midi(INPUT, bytes((0xB3, 102, 64)))
    played.run_for(0.3)
    assert last_end_s(played) < stopped_s + STOP_S
    trip = played.engine.interlock.current_trip
    assert trip is not None
    assert trip.cause is Cause.MIDI_STOP
    played.midi(INPUT, bytes((0xB3, 102, 0)))
    played.run_for(0.3)
    assert played.engine.interlock.state is State.TRIPPED


def test_what_the_governor_holds_back_is_recorded_at_each_change() -> None:
    played = armed(one_coil(duty_windows=[{"window_ms": 1000, "max_percent": 2}]))
    chord(played)
    played.run_for(1.0)
    said = [r for _, r in played.records if isinstance(r, HeldBackChanged)]
    assert said
    assert said[0].coil == "Larkspur"
    assert any(h.limit is Limit.DUTY and h.asked > h.allowed for r in said for h in r.held_back)
    assert len(said) < 20, "a change, not every frame"


def test_input_loss_releases_its_notes_or_trips_as_configured() -> None:
    for on_loss in ("release", "trip"):
        config = site(
            [coil("Larkspur", "North", 1)],
            inputs=[{"name": INPUT, "virtual_port": "Coilwarden", "on_loss": on_loss}],
        )
        played = armed(config)
        chord(played)
        lost_s = played.now_s
        played.engine.input_changed(played.now_s, INPUT, False, "lost")
        played.run_for(1.0)
        assert last_end_s(played) < lost_s + 0.3
        expected = State.ARMED if on_loss == "release" else State.TRIPPED
        assert played.engine.interlock.state is expected
        played.engine.input_changed(played.now_s, INPUT, True, "connected")
        played.run_for(1.0)
        assert played.engine.interlock.state is expected, "a returning input changes nothing"


def test_four_controllers_with_two_coils_each_play_at_once() -> None:
    coils = [
        coil(f"coil {c}{o}", f"rack {c}", o, duty_windows=[{"window_ms": 1000, "max_percent": 5}])
        for c, o in itertools.product("ABCD", (1, 3))
    ]
    played = armed(site(coils, music={"routes": [{"coils": [c["name"] for c in coils]}]}))
    organ(played)
    began_s = played.now_s
    for note in (45, 57, 64):
        played.midi(INPUT, note_on(note, 110))
    for step in range(200):
        played.midi(INPUT, bend(100 * math.sin(step / 10)))
        played.run_for(0.01)
    pulses = played.take_pulses()
    for name in (c["name"] for c in coils):
        heard = between(pulses[name], began_s, played.now_s)
        assert len(heard) > 2.0 * (110 + 220 + 330) * 0.9, name
    assert violations(played.engine.config, played) == []
    assert guard_refusals(played) == 0
    assert played.engine.interlock.state is State.ARMED


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
