"""What a performer's inputs may do to an armed site, in simulated time."""

from __future__ import annotations

import itertools
import math

from bridge.engine import Act
from bridge.governor.reasons import Limit
from bridge.interlock import Cause, State
from bridge.records import HeldBackChanged
from tests.chain.racks import STOP_S, chord, last_end_s
from tests.chain.rig import (
    INPUT,
    armed,
    bend,
    between,
    coil,
    guard_refusals,
    note_on,
    one_coil,
    organ,
    site,
    violations,
)


def test_hush_silences_at_once_and_stays_armed() -> None:
    played = armed(one_coil())
    chord(played)
    played.midi(INPUT, bytes((0xB0, 64, 127)))
    hushed_s = played.now_s
    played.act(Act.HUSH)
    played.run_for(0.5)
    assert last_end_s(played) < hushed_s + STOP_S
    assert played.engine.interlock.state is State.ARMED


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
