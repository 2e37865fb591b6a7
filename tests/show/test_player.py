"""A show on simulated controllers: when notes sound, what moves them, what keeps their place."""

from __future__ import annotations

import random
from pathlib import Path

import mido
import pretty_midi
import pytest

from bridge.clocks import HostS
from bridge.config import Config
from bridge.engine import Act
from bridge.interlock import State
from bridge.show.chasing import Chase
from bridge.show.player import Item, Transport, settings_before
from bridge.show.score_file import Score, ScoreError, ScoreEvent, read_score
from bridge.show.show_source import Playing, ShowSource
from bridge.virtual_site import VirtualSite
from tests.chain.rig import coil, guard_refusals, site, violations
from tests.show.stage import first_pulses, midi_file, score_of, stage

BOARDS = [
    {"name": "North", "port": "simulated", "board_id": "c0110000"},
    {"name": "South", "port": "simulated", "board_id": "c0110001"},
]


def depot(north_ppm: float = 0.0, south_ppm: float = 0.0, **site_changes: object) -> Config:
    boards = [
        BOARDS[0] | {"simulated": {"clock_error_ppm": north_ppm}},
        BOARDS[1] | {"simulated": {"clock_error_ppm": south_ppm}},
    ]
    return site(
        [coil("Larkspur", "North", 1), coil("Foxglove", "South", 1)],
        controllers=boards,
        music={
            "routes": [
                {"channels": [1], "coils": ["Larkspur"]},
                {"channels": [2], "coils": ["Foxglove"]},
            ]
        },
        **site_changes,
    )


def steady(count: int, gap_s: float = 0.25) -> Score:
    return score_of([(0.5 + i * gap_s, 60 + i % 12, 1 + i % 2) for i in range(count)])


def begin(virtual: VirtualSite, source: ShowSource) -> float:
    """Go; returns the host time of item time 0."""
    at_s = virtual.now_s
    source.go(at_s)
    virtual.engine.source_changed(at_s)
    return virtual.now_s + max(0.6, source.player.item.countdown_s)


def onsets(virtual: VirtualSite, after_s: float = 0.0) -> list[float]:
    virtual.take_pulses()
    found = [t for p in virtual.pulses.values() for t in first_pulses(p, 0.1)]
    return sorted(t for t in found if t > after_s)


@pytest.mark.parametrize(("north_ppm", "south_ppm"), [(0, 0), (5000, -5000), (-300, 100)])
def test_notes_sound_at_their_time_though_the_host_stands_still(
    north_ppm: float, south_ppm: float
) -> None:
    """A stall of 100 ms every 700 ms; boards off either way; onsets in true time."""
    notes = 24
    virtual, source = stage(depot(north_ppm, south_ppm), [Item("One", steady(notes))])
    virtual.run_for(3.0)
    zero_s = begin(virtual, source)
    for _ in range(15):
        virtual.run_for(0.6)
        virtual.frozen = True
        virtual.run_for(0.1)
        virtual.frozen = False
    found = onsets(virtual)
    assert len(found) == notes
    worst = max(abs(t - zero_s - (0.5 + i * 0.25)) for i, t in enumerate(found))
    assert worst < 100e-6  # one tick of pulses, and the map host → ticks on a lively link
    assert guard_refusals(virtual) == 0
    assert virtual.engine.interlock.state is State.ARMED


def test_moving_voices_leave_room_for_notes() -> None:
    """Full vibrato under a melody, on the same coil: each note at its time."""
    melody = [(0.5 + 0.17 * i, 70 + i % 3, 1) for i in range(20)]
    held = [ScoreEvent(0.1, b"\xb0\x01\x7f"), ScoreEvent(0.2, b"\x90\x30\x50")]
    events = [*held, *score_of(melody).events]
    score = Score(sorted(events, key=lambda e: e.position_s), ticks_per_quarter=480)
    virtual, source = stage(depot(), [Item("One", score)])
    line = virtual.engine.lines["Larkspur"]
    applied: list[float] = []
    asked = line.ask

    def spy(asks: tuple[object, ...]) -> None:
        before = {a.voice_id for a in line.asks}
        asked(asks)  # type: ignore[arg-type]
        if {a.voice_id for a in line.asks} - before:
            assert len(line._ahead) < 14
            applied.append(virtual.now_s)

    line.ask = spy  # type: ignore[method-assign]
    zero_s = begin(virtual, source)
    virtual.run_for(9.0)
    lead_s = virtual.engine.timeline.lead_s
    expected = [zero_s + 0.2 - lead_s, *(zero_s + at - lead_s for at, _, _ in melody)]
    assert applied == pytest.approx(expected, abs=1e-6)
    assert guard_refusals(virtual) == 0


def test_each_coil_fires_earlier_by_its_distance() -> None:
    config = depot(air_temperature_c=20, loudspeaker_distance_m=10)
    far = config.coil[0].model_copy(update={"distance_to_audience_m": 27.2})
    near = config.coil[1].model_copy(update={"distance_to_audience_m": 10.0})
    config = config.model_copy(update={"coil": (far, near)})
    both = Item("One", score_of([(0.5, 60, 1), (0.5, 60, 2)]))
    virtual, source = stage(config, [both])
    virtual.run_for(3.0)
    zero_s = begin(virtual, source)
    virtual.run_for(6.0)
    pulses = virtual.take_pulses()
    # 17.2 m at 343.2 m/s (ISO 9613-1 gives 343.2 m/s at 20 °C): 50.1 ms.
    assert pulses["Foxglove"][0].start_s == pytest.approx(zero_s + 0.5, abs=1e-4)
    assert pulses["Larkspur"][0].start_s == pytest.approx(zero_s + 0.5 - 0.0501, abs=2e-4)


def test_after_a_trip_the_place_is_kept_and_a_bar_can_be_resumed_at() -> None:
    """Bars are 2 s at 120 quarter notes a minute."""
    virtual, source = stage(depot(), [Item("One", steady(60))])
    zero_s = begin(virtual, source)
    virtual.run_until(HostS(zero_s + 5.1))
    virtual.stop()
    virtual.run_for(1.0)
    player = source.player
    assert player.transport is Transport.PAUSED
    assert player.position_s(virtual.now_s) == pytest.approx(5.1, abs=1e-6)
    assert player.bar(virtual.now_s) == 3
    assert virtual.engine.interlock.state is State.TRIPPED
    silent_from = virtual.now_s
    virtual.act(Act.RESET)
    virtual.run_for(0.3)
    assert virtual.engine.interlock.state is State.LOCKED
    virtual.act(Act.ARM)
    virtual.run_for(3.0)
    assert virtual.engine.interlock.state is State.ARMED
    assert onsets(virtual, silent_from) == []  # arming plays nothing
    source.resume(virtual.now_s, None)
    virtual.engine.source_changed(virtual.now_s)
    again_s = virtual.now_s + virtual.engine.timeline.lead_s + 0.6
    virtual.run_for(3.0)
    found = onsets(virtual, silent_from)
    # Bar 3 begins at 4 s; the first note at or after it is struck at 4.0 s.
    assert found[0] == pytest.approx(again_s, abs=2e-4)
    assert guard_refusals(virtual) == 0


def test_pause_is_silence_within_the_lead_and_no_note_hangs() -> None:
    drone = score_of([(0.5, 50, 1)], length_s=60)
    virtual, source = stage(depot(), [Item("One", drone)])
    zero_s = begin(virtual, source)
    virtual.run_until(HostS(zero_s + 2))
    source.pause(virtual.now_s)
    virtual.engine.source_changed(virtual.now_s)
    virtual.run_for(3.0)
    last_s = virtual.take_pulses()["Larkspur"][-1].start_s
    assert last_s < zero_s + 2 + virtual.engine.timeline.lead_s + 0.5
    assert not source.notes_held()


def test_items_follow_each_other_wait_and_have_their_own_routes() -> None:
    config = depot()
    routes = config.music.routes[1].model_copy(update={"channels": (1,)})
    items = [
        Item("One", score_of([(0.2, 60, 1)]), wait=True, countdown_s=0.0),
        Item("Two", score_of([(0.2, 60, 1)]), wait=False, countdown_s=0.0),
        Item("Three", score_of([(0.2, 60, 1)]), wait=True, countdown_s=0.0),
    ]
    playing = [Playing(), Playing(routes=(routes,)), Playing()]
    virtual, source = stage(config, items, playing)
    begin(virtual, source)
    virtual.run_for(8.0)
    pulses = virtual.take_pulses()
    assert source.player.transport is Transport.READY
    assert source.player.index == 2
    assert pulses["Larkspur"]
    assert pulses["Foxglove"]
    assert max(p.start_s for p in pulses["Larkspur"]) < min(p.start_s for p in pulses["Foxglove"])


@pytest.mark.parametrize("seed", range(3))
def test_random_shows_give_the_guard_nothing_to_refuse(seed: int) -> None:
    draw = random.Random(seed)
    notes = [(draw.uniform(0, 8), draw.randrange(30, 90), draw.choice([1, 2])) for _ in range(160)]
    score = score_of(sorted(notes), length_s=draw.uniform(0.05, 0.6))
    virtual, source = stage(depot(draw.uniform(-5000, 5000), 100), [Item("One", score)])
    begin(virtual, source)
    virtual.run_for(5.0)
    for _ in range(30):  # and a player beside it
        virtual.midi("keys", bytes([0x90, draw.randrange(40, 80), draw.choice([0, 90])]))
        virtual.run_for(draw.uniform(0.02, 0.3))
    assert guard_refusals(virtual) == 0
    assert not violations(virtual.engine.config, virtual)


def test_a_show_follows_time_code_and_stops_with_it() -> None:
    from tests.show.test_timecode import FrameRate, quarter_frames  # noqa: PLC0415

    chased = Item("One", steady(40), is_chased=True)
    playing = [Playing(chase=Chase("keys", "mtc", begin_s=3600.0))]
    virtual, source = stage(depot(), [chased], playing)
    source.go(virtual.now_s)
    virtual.run_for(3.0)
    source.go(virtual.now_s)
    rate, draw = FrameRate.FPS_25, random.Random(2)
    begin_s = virtual.now_s + 0.1
    for index, message in enumerate(quarter_frames(rate, 3600 * 25, 600)):
        due_s = HostS(begin_s + index / 100)
        virtual.run_until(HostS(due_s + draw.uniform(0, 0.002)))
        virtual.midi("keys", message)
    assert source.player.transport is Transport.PLAYING
    end_s = virtual.now_s
    virtual.run_for(2.0)
    assert source.player.transport is Transport.PAUSED
    found = onsets(virtual)
    assert len(found) >= 21
    late = sorted(t - begin_s - (0.5 + i * 0.25) for i, t in enumerate(found))
    # Arrivals are 0 to 2 ms late.
    assert abs(late[len(late) // 2]) < 0.001, late
    assert max(map(abs, late)) < 0.002, late
    assert found[-1] < end_s + 0.8


def test_settings_are_made_good_before_a_bar() -> None:
    messages = [b"\xc0\x05", b"\xb0\x07\x40", b"\x90\x3c\x40", b"\xb0\x07\x50", b"\xe0\x00\x50"]
    events = [ScoreEvent(i / 10, message) for i, message in enumerate(messages)]
    assert settings_before(events) == [b"\xc0\x05", b"\xb0\x07\x50", b"\xe0\x00\x50"]


def test_tempo_maps_are_midos_and_pretty_midis(tmp_path: Path) -> None:
    draw = random.Random(4)
    values = [(draw.randrange(200_000, 1_500_000), draw.randrange(900)) for _ in range(60)]
    tempos = [mido.MetaMessage("set_tempo", tempo=tempo, time=time) for tempo, time in values]
    notes: list[mido.Message | mido.MetaMessage] = []
    for _ in range(200):
        notes.append(mido.Message("note_on", note=60, velocity=80, time=draw.randrange(1, 200)))
        notes.append(mido.Message("note_off", note=60, time=draw.randrange(1, 200)))
    path = midi_file(tmp_path / "tempo.mid", tempos, notes)
    score = read_score(path)
    at_s, by_mido = 0.0, list[float]()
    for message in mido.MidiFile(path):
        at_s += message.time
        if not message.is_meta:
            by_mido.append(at_s)
    assert [e.position_s for e in score.events] == pytest.approx(by_mido, abs=1e-9)
    pretty = pretty_midi.PrettyMIDI(str(path))
    starts = [n.start for i in pretty.instruments for n in i.notes]
    ours = [e.position_s for e in score.events if e.message[0] & 0xF0 == 0x90]
    assert ours == pytest.approx(sorted(starts), abs=1e-6)


def test_bars_follow_the_time_signatures(tmp_path: Path) -> None:
    track = [
        mido.MetaMessage("time_signature", numerator=3, denominator=4, time=0),
        mido.MetaMessage("time_signature", numerator=7, denominator=8, time=3 * 480 * 4),
        mido.MetaMessage("end_of_track", time=7 * 240 * 3 - 1),
    ]
    score = read_score(midi_file(tmp_path / "bars.mid", track))
    assert [score.position_at_bar(b) for b in (1, 2, 5, 6)] == pytest.approx([0, 1.5, 6, 7.75])
    assert [score.bar_at(s) for s in (0, 1.49, 1.5, 6.0, 7.76)] == [1, 1, 2, 5, 6]
    with pytest.raises(ValueError, match="bars 1 to 7"):
        score.position_at_bar(8)


@pytest.mark.parametrize("spoil", ["cut", "noise", "empty"])
def test_a_bad_score_is_a_sentence(tmp_path: Path, spoil: str) -> None:
    path = midi_file(tmp_path / "bad.mid", [mido.Message("note_on", note=60, time=5)])
    data = path.read_bytes()
    path.write_bytes({"cut": data[:-3], "noise": b"\x00\xff" * 40, "empty": b""}[spoil])
    with pytest.raises(ScoreError, match=r"bad\.mid"):
        read_score(path)
