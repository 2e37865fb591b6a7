"""Inputs with a fixed delay: jitter gone, each coil's distance taken in, in simulated time."""

from __future__ import annotations

import itertools
import random

import pytest

from bridge.config import Config
from bridge.engine import Act
from bridge.interlock import State
from bridge.timeline import speed_of_sound_m_s
from bridge.virtual_site import VirtualSite
from firmware_protocol import messages as m
from firmware_protocol.framing import Frame, FrameReader
from tests.chain.rig import (
    INPUT,
    armed,
    coil,
    control,
    guard_refusals,
    note_off,
    note_on,
    organ,
    site,
    violations,
)

DELAY_S = 0.070
MAPPING_S = 0.001
"""What the estimate of a board's clock may be off over a line that jitters by 5 ms either way;
ticks are exact (next test)."""


def delayed_site(**changes: object) -> Config:
    """Two coils 24 m and 41 m from the audience, loudspeakers at 30 m, 5 °C."""
    return site(
        [
            coil("Larkspur", "North", 1, distance_to_audience_m=24),
            coil("Foxglove", "South", 1, distance_to_audience_m=41),
        ],
        inputs=[
            {
                "name": INPUT,
                "virtual_port": "Coilwarden",
                "timing": "fixed_delay",
                "delay_ms": DELAY_S * 1000,
            }
        ],
        music={"routes": [{"coils": ["Larkspur", "Foxglove"]}]},
        air_temperature_c=5.0,
        loudspeaker_distance_m=30.0,
        **changes,
    )


def onsets(played: VirtualSite, name: str, quiet_s: float = 0.05) -> list[float]:
    """Starts of pulses after at least `quiet_s` of silence."""
    found: list[float] = []
    last_s = -1.0
    for pulse in played.take_pulses()[name]:
        if pulse.start_s - last_s > quiet_s:
            found.append(pulse.start_s)
        last_s = pulse.start_s
    return found


def test_arrival_plus_delay_whatever_the_host_and_the_line_did() -> None:
    played = armed(delayed_site(), seed=3)
    organ(played)
    rnd = random.Random(8)
    struck: list[float] = []
    for _ in range(40):
        struck.append(played.now_s)
        played.run_for(rnd.uniform(0.0, 0.008))  # the message waited in the host
        played.midi(INPUT, note_on(69, 100), struck[-1])
        played.run_for(0.08)
        played.midi(INPUT, note_off(69))
        played.run_for(rnd.uniform(0.25, 0.35))
    speed = speed_of_sound_m_s(5.0)
    for name, distance_m in (("Larkspur", 24.0), ("Foxglove", 41.0)):
        heard = onsets(played, name)
        assert len(heard) == len(struck)
        expected = DELAY_S + (30.0 - distance_m) / speed
        errors = [h - s - expected for h, s in zip(heard, struck, strict=True)]
        assert max(map(abs, errors)) < MAPPING_S
    # 334.3 m/s at 5 °C, dry air (handbook value): the two coils are 50.9 ms apart.
    assert speed == pytest.approx(334.3, abs=0.1)
    apart = [
        f - n for n, f in zip(onsets(played, "Larkspur"), onsets(played, "Foxglove"), strict=True)
    ]
    assert sum(apart) / len(apart) == pytest.approx(-17.0 / 334.3, abs=MAPPING_S)


def test_the_first_pulse_comes_at_apply_at_to_the_tick() -> None:
    played = armed(delayed_site(), seed=4)
    organ(played)
    controller = played.links["North"].controller
    told: list[tuple[int, tuple[m.Slot | None, ...]]] = []
    receive = controller.receive_frame

    def listen(frame: Frame) -> None:
        if frame.type_code == m.Voices.TYPE:
            voices = m.Voices.parse(frame.payload)
            told.append((voices.apply_at, voices.slots))
        receive(frame)

    controller.receive_frame = listen  # type: ignore[method-assign]
    for _ in range(10):
        told.clear()
        count = len(played.take_pulses()["Larkspur"])
        played.midi(INPUT, note_on(60, 100))
        played.run_for(0.12)
        first = played.take_pulses()["Larkspur"][count]
        apply_at = next(at for at, slots in told if any(slots))
        late = m.ticks_between(first.start_tick & 0xFFFF_FFFF, apply_at)
        assert 0 <= late <= 1  # within half a microsecond; the bound is 50 µs
        played.midi(INPUT, note_off(60))
        played.run_for(0.3)


def test_a_chord_starts_together_and_a_later_event_keeps_its_own_time() -> None:
    played = armed(delayed_site())
    organ(played)
    for note in (48, 55, 64):
        played.midi(INPUT, note_on(note, 100))
    played.run_for(0.0005)
    played.midi(INPUT, control(7, 0))
    played.run_for(0.4)
    pulses = played.take_pulses()["Larkspur"]
    assert 1 <= len(pulses) <= 4, "half a millisecond of music, then the volume is zero"


def test_a_refresh_undoes_no_event_that_fell_due_meanwhile() -> None:
    """The loop is late, bytes from a controller come first, and a refresh is due as well."""
    played = armed(delayed_site())
    organ(played)
    played.run_for(0.2)
    struck_s = played.now_s
    played.midi(INPUT, note_on(57, 100))
    engine = played.engine
    played.run_for(DELAY_S - engine.timeline.lead_s - 0.001)
    late_s = played.now_s + 0.004
    engine.lines["Larkspur"]._sent_s = -1.0
    session = engine.sessions["North"]
    due_tick = session.clock.tick_at(struck_s + DELAY_S + engine.lines["Larkspur"].offset_s)
    told: list[m.Voices] = []
    for _ in range(5):
        out = engine.collect(late_s, "North", 0)
        for frame in FrameReader().feed(out.data) if out else ():
            if frame.type_code == m.Voices.TYPE:
                told.append(m.Voices.parse(frame.payload))
        late_s += 0.002
    assert told
    assert any(m.ticks_between(v.apply_at, due_tick) >= -2 for v in told)
    for voices in told:
        if m.ticks_between(voices.apply_at, due_tick) >= -2:
            assert any(voices.slots), "a later frame says silence"


def test_a_late_host_on_a_jittery_link_has_no_frame_refused() -> None:
    """What may arrive more than 20 ms late is sent to apply on arrival."""
    controllers = [
        {"name": n, "port": "simulated", "board_id": i, "link_jitter_ms": 20}
        for n, i in (("North", "c0110001"), ("South", "c0110002"))
    ]
    played = armed(delayed_site(controllers=controllers), seed=11)
    organ(played)
    rnd = random.Random(5)
    for number in range(60):
        played.midi(INPUT, note_on(60, 100) if number % 2 == 0 else note_off(60))
        played.run_for(DELAY_S - played.engine.timeline.lead_s - 0.001)
        played.frozen = True
        played.run_for(played.engine.timeline.lead_s + rnd.uniform(-0.035, 0.02))
        played.frozen = False
        played.run_for(0.05)
    assert played.engine.interlock.state is State.ARMED
    assert sum(len(p) for p in played.take_pulses().values()) > 300
    for session in played.engine.sessions.values():
        assert session.counters.frames_refused == 0, session.counters


def test_hush_forgets_what_was_already_sent_ahead() -> None:
    played = armed(delayed_site())
    organ(played)
    played.midi(INPUT, note_on(57, 100))
    played.run_for(0.3)
    for note in (60, 64, 67):  # these wait on the board when hush comes
        played.midi(INPUT, note_on(note, 100))
        played.run_for(0.01)
    hushed_s = played.now_s
    played.act(Act.HUSH)
    played.run_for(0.5)
    assert max(p.start_s for p in played.take_pulses()["Larkspur"]) < hushed_s + 0.010
    assert played.engine.interlock.state is State.ARMED


def test_a_flood_on_a_delayed_input_starves_no_coil_and_stays_lawful() -> None:
    delayed = delayed_site()
    # Both coils on one line: that is where one could starve the other.
    coils = (
        delayed.coil[0],
        delayed.coil[1].model_copy(update={"controller": "North", "output": 2}),
    )
    north = tuple(c for c in delayed.controller if c.name == "North")
    config = delayed.model_copy(update={"coil": coils, "controller": north})
    played = armed(config, seed=6, loss=0.1)
    organ(played)
    rnd = random.Random(2)
    for _ in range(6000):
        note = rnd.randrange(40, 80)
        played.midi(INPUT, (note_on if rnd.random() < 0.5 else note_off)(note))
        played.run_for(0.0004)
    assert played.engine.interlock.state is State.ARMED
    assert violations(config, played) == []
    assert guard_refusals(played) == 0
    assert min(len(p) for p in played.take_pulses().values()) > 300
    for session in played.engine.sessions.values():
        assert session.counters.frames_refused == 0, session.counters


def test_a_host_that_stands_still_for_100_ms_moves_no_note_already_decided() -> None:
    """Frames are sent ahead by the lead; a stall shorter than it moves nothing."""
    played = armed(delayed_site())
    organ(played)
    played.midi(INPUT, note_on(57, 100))
    struck_s = played.now_s
    played.run_for(DELAY_S - 0.015)  # decided and on the board, not yet in force
    played.frozen = True
    played.run_for(0.1)
    played.frozen = False
    played.run_for(0.05)
    speed = speed_of_sound_m_s(5.0)
    expected = struck_s + DELAY_S + (30.0 - 24.0) / speed
    assert onsets(played, "Larkspur")[0] == pytest.approx(expected, abs=MAPPING_S)
    assert played.engine.interlock.state is State.ARMED


def test_hush_waits_behind_nothing_even_with_the_boards_queue_full() -> None:
    config = delayed_site()
    played = armed(config)
    organ(played)
    for step in range(400):
        played.midi(INPUT, control(7, 60 + step % 60))
        played.midi(INPUT, note_on(50 + step % 20, 100))
        played.run_for(0.0005)
    hushed_s = played.now_s
    played.act(Act.HUSH)
    played.run_for(0.5)
    assert max(p.start_s for p in played.take_pulses()["Larkspur"]) < hushed_s + 0.010
    assert violations(config, played) == []
    assert guard_refusals(played) == 0


@pytest.mark.parametrize("lost", range(3))
def test_loud_and_silent_in_turn_faster_than_the_line_stays_lawful(lost: int) -> None:
    """The nearest coil's frames wait longest on its board: what is decided must be what is sent."""
    config = site(
        [
            coil("Larkspur", "North", 1, distance_to_audience_m=10,
                 duty_windows=[{"window_ms": 50, "max_percent": 3}]),
            coil("Foxglove", "North", 2, distance_to_audience_m=40,
                 duty_windows=[{"window_ms": 50, "max_percent": 3}]),
        ],
        inputs=[{"name": INPUT, "virtual_port": "x", "timing": "fixed_delay", "delay_ms": 140}],
        music={"routes": [{"coils": ["Larkspur", "Foxglove"]}]},
    )  # fmt: skip
    played = armed(config, seed=lost, loss=0.05 * lost)
    organ(played)
    for note in (40, 47, 52):
        played.midi(INPUT, note_on(note, 127))
    for step in range(2500):
        played.midi(INPUT, control(7, 127 if step // 3 % 2 else 0))
        played.run_for(0.0007)
    played.run_for(0.3)
    assert violations(config, played) == []
    assert guard_refusals(played) == 0


@pytest.mark.parametrize("lose_at_s", [0.0, 0.002, 0.009])
def test_a_lost_jump_under_vibrato_is_caught_up(lose_at_s: float) -> None:
    """Two octaves down by bend with the wheel up: one lost frame must not leave the board crawling
    near the old, faster rate."""
    config = site(
        [
            coil(
                "Larkspur",
                "North",
                1,
                duty_windows=[{"window_ms": 100, "max_percent": 8}],
                min_on_time_us=10,
            )
        ],
        music={"bend_range_semitones": 48},
    )
    played = armed(config)
    organ(played)
    played.midi(INPUT, bytes((0xE0, 0x00, 0x60)))  # two octaves up
    played.midi(INPUT, note_on(67, 127))
    played.midi(INPUT, control(1, 127))
    played.run_for(1.0)
    played.run_for(lose_at_s)
    link = played.links["North"]
    write, lost = link.write, []

    def lose_one(time_s: float, data: bytes) -> None:
        if not lost and len(data) > 20:
            lost.append(time_s)
        else:
            write(time_s, data)

    link.write = lose_one  # type: ignore[method-assign]
    played.midi(INPUT, bytes((0xE0, 0x00, 0x40)))  # and back
    played.run_for(0.12)
    assert lost
    later_s = played.now_s
    played.run_for(0.3)
    gaps = [
        b.start_s - a.start_s
        for a, b in itertools.pairwise(played.take_pulses()["Larkspur"])
        if a.start_s > later_s
    ]
    assert max(1 / g for g in gaps) < 392 * 1.06, "it is where it was told to be"
    assert violations(config, played) == []
    assert guard_refusals(played) == 0


def test_a_flood_on_an_immediate_input_starves_no_coil_of_the_same_line() -> None:
    config = site(
        [coil("Larkspur", "North", 1), coil("Foxglove", "North", 2)],
        music={"routes": [{"coils": ["Larkspur", "Foxglove"]}]},
    )
    played = armed(config)
    organ(played)
    for note in (45, 52, 57):
        played.midi(INPUT, note_on(note, 110))
    for step in range(3000):
        played.midi(INPUT, control(1, step % 128))
        played.midi(INPUT, bytes((0xE0, step % 128, 32 + step % 64)))
        played.run_for(1 / 3000)
    assert played.engine.interlock.state is State.ARMED
    frames = [line.frames for line in played.engine.lines.values()]
    assert min(frames) > 0.8 * max(frames) > 100
