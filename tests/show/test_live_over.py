"""A keyboard over a running show, and an immediate input beside a delayed one, in simulated time.

What is live replaces what a controller has queued. The random nights play into full windows, over
lines that are late and lose frames; a saboteur takes whole replacements, or their first frame.
"""

from __future__ import annotations

import random

import pytest

from bridge.clocks import HostS
from bridge.config import Config
from bridge.engine import Act
from bridge.interlock import State
from bridge.link.line_noise import LineNoise
from bridge.music.instrument import LIVE_IDS, Instrument
from bridge.music.voices import Hold, VoiceAsk
from bridge.show.player import Item, Player
from bridge.show.show_source import Playing, ShowSource
from bridge.timeline import NEAR_FRAME_S, Timeline
from bridge.virtual_site import VirtualSite
from bridge.voice_priority import LivePriority, together
from firmware_protocol import messages as m
from firmware_protocol.framing import FrameReader
from tests.chain.rig import (
    INPUT,
    bend,
    coil,
    control,
    guard_refusals,
    note_off,
    note_on,
    site,
    violations,
)
from tests.chain.test_random_performances import fullest_use
from tests.show.stage import score_of

MAPPING_S = 0.0005
"""What the estimate of a board's clock may be off on a quiet line."""
NEAR = 0.005 + NEAR_FRAME_S
"""How far ahead live notes take effect where links jitter by 5 ms."""
DELAYED = {"name": "daw", "virtual_port": "Daw", "timing": "fixed_delay", "delay_ms": 90}
KEYS = {"name": INPUT, "virtual_port": "Coilwarden", "max_note_s": 600}


def yard(
    *, jitter_ms: float = 5.0, music: dict[str, object] | None = None, **coil_changes: object
) -> Config:
    boards = [
        {"name": n, "port": "simulated", "board_id": f"c011000{i}", "link_jitter_ms": jitter_ms}
        for i, n in enumerate(("North", "South"))
    ]
    return site(
        [
            coil("Larkspur", "North", 1, **coil_changes),
            coil("Foxglove", "South", 1, **coil_changes),
        ],
        controllers=boards,
        music={"routes": [{"coils": ["Larkspur", "Foxglove"]}], **(music or {})},
    )


def show_on(
    config: Config,
    notes: list[tuple[float, int, int]],
    length_s: float,
    seed: int | None = None,
    loss: float = 0.0,
) -> VirtualSite:
    """An armed site whose show has begun; item time 0 is 0.6 s from now."""

    def noise(controller: str, direction: str) -> LineNoise | None:
        if seed is None:
            return None
        return LineNoise(
            seed * 4 + (controller == "North") * 2 + (direction == "to_host"),
            loss=loss,
            jitter_s=config.controller[0].link_jitter_ms / 1000,
            one_loss_in_a_row=True,
        )

    source = ShowSource(
        config, Player([Item("One", score_of(sorted(notes), length_s), countdown_s=0)]), [Playing()]
    )
    virtual = VirtualSite(config, source, noise=noise)
    virtual.arm(within_s=30)
    virtual.run_for(0.5)
    source.go(virtual.now_s)
    virtual.engine.source_changed(virtual.now_s)
    return virtual


def starts_after(virtual: VirtualSite, name: str, at_s: float) -> list[float]:
    return [p.start_s for p in virtual.take_pulses()[name] if p.start_s > at_s]


def rate_between(virtual: VirtualSite, name: str, begin_s: float, end_s: float) -> float:
    return len([s for s in starts_after(virtual, name, begin_s) if s < end_s]) / (end_s - begin_s)


def organ_for(virtual: VirtualSite) -> None:
    """General MIDI program 17: neither decays nor swells."""
    virtual.midi(INPUT, bytes((0xC0, 16)))


def test_a_key_sounds_at_once_over_what_is_sent_ahead() -> None:
    virtual = show_on(yard(), [(0.4, 45, 1)], 6.0)
    organ_for(virtual)
    virtual.run_for(2.0)
    struck_s = virtual.now_s
    virtual.midi(INPUT, note_on(81, 100))  # 880 Hz over 110 Hz
    virtual.run_for(0.2)
    released_s = virtual.now_s
    virtual.midi(INPUT, note_off(81))
    virtual.run_for(0.4)
    assert rate_between(virtual, "Larkspur", struck_s - 0.5, struck_s) == pytest.approx(110, abs=4)
    gaps = starts_after(virtual, "Larkspur", struck_s + NEAR - MAPPING_S)
    assert gaps[0] - struck_s < NEAR + MAPPING_S
    heard = rate_between(virtual, "Larkspur", struck_s + 0.01, released_s)
    assert heard == pytest.approx(990, rel=0.05)
    later = rate_between(virtual, "Larkspur", released_s + 0.2, released_s + 0.4)
    assert later == pytest.approx(110, abs=6)


@pytest.mark.parametrize(
    ("coil_m", "loudspeakers_m", "earliest_s", "latest_s"),
    [
        (10.0, 10.0, NEAR, NEAR),
        # 13.7 m at 337.3 m/s (10 °C; handbook formula, dry air): 40.6 ms
        (10.0, 23.7, NEAR + 0.0406, NEAR + 0.0406),
        (27.0, 10.0, 0.0, 0.003),
    ],
)
def test_a_live_key_waits_for_a_farther_loudspeaker_and_never_runs_ahead_of_itself(
    coil_m: float, loudspeakers_m: float, earliest_s: float, latest_s: float
) -> None:
    """A nearer coil sounds later by its distance, a farther one on arrival."""
    config = site(
        [coil("Larkspur", "North", 1, distance_to_audience_m=coil_m)],
        controllers=[
            {"name": "North", "port": "simulated", "board_id": "c0110000", "link_jitter_ms": 5.0}
        ],
        loudspeaker_distance_m=loudspeakers_m,
    )
    virtual = show_on(config, [(5.0, 45, 1)], 1.0)
    organ_for(virtual)
    virtual.run_for(1.5)
    struck_s = virtual.now_s
    virtual.midi(INPUT, note_on(60))
    virtual.run_for(0.4)
    after_s = starts_after(virtual, "Larkspur", struck_s)[0] - struck_s
    assert earliest_s - MAPPING_S < after_s < latest_s + MAPPING_S
    assert guard_refusals(virtual) == 0


@pytest.mark.parametrize("away_s", [0.0, 0.02, 0.05, 0.09, 0.11])
def test_the_scores_notes_keep_their_time_under_a_live_one(away_s: float) -> None:
    """Two of the score's notes lie ahead, queued, as keys go down and up: to the tick, nearly."""
    virtual = show_on(yard(), [(1.0, 69, 1), (1.05, 73, 1)], 0.3)
    organ_for(virtual)
    zero_s = virtual.now_s + 0.6
    virtual.run_until(HostS(zero_s + 1.0 - away_s - NEAR))
    virtual.midi(INPUT, note_on(16, 60))  # 20.6 Hz: its pulses are few
    virtual.run_for(0.01)
    virtual.midi(INPUT, note_off(16))
    virtual.run_for(0.5)
    for name in ("Larkspur", "Foxglove"):
        found = starts_after(virtual, name, zero_s + 1.0 - MAPPING_S)
        assert min(abs(s - zero_s - 1.0) for s in found) < MAPPING_S
        assert min(abs(s - zero_s - 1.05) for s in found) < MAPPING_S


def test_a_note_that_sounds_already_keeps_its_phase() -> None:
    """The end of its release is queued when a key goes down: it is not begun anew."""
    virtual = show_on(yard(), [(0.2, 45, 1)], 1.0)
    zero_s = virtual.now_s + 0.6
    virtual.run_until(HostS(zero_s + 1.19))
    virtual.midi(INPUT, note_on(16, 60))  # 20.6 Hz: its pulses are few
    virtual.run_for(0.4)
    starts = starts_after(virtual, "Larkspur", zero_s)
    periods = [(s - starts[0]) * 110 for s in starts if 1.2 < s - zero_s < 1.26]
    on_grid = [p for p in periods if abs(p - round(p)) < 0.02]
    assert len(on_grid) >= 5, periods


def test_an_immediate_input_beside_a_delayed_one() -> None:
    config = site([coil("Larkspur", "North", 1)], inputs=[DELAYED, KEYS])
    virtual = VirtualSite(config, Instrument(config))
    virtual.arm()
    for _ in range(6):
        struck_s = virtual.now_s
        virtual.midi("daw", note_on(60, 100))
        virtual.midi(INPUT, note_on(72, 100))
        virtual.run_for(0.085)
        first = starts_after(virtual, "Larkspur", struck_s)
        assert first[0] - struck_s == pytest.approx(NEAR, abs=MAPPING_S)
        rate = rate_between(virtual, "Larkspur", struck_s + 0.01, struck_s + 0.085)
        assert rate == pytest.approx(523, rel=0.1)
        virtual.run_for(0.1)
        rate = rate_between(virtual, "Larkspur", struck_s + 0.095, virtual.now_s)
        assert rate == pytest.approx(523 + 262, rel=0.1)
        virtual.midi("daw", note_off(60))
        virtual.midi(INPUT, note_off(72))
        virtual.run_for(0.6)


def test_a_hush_takes_what_is_live_and_what_is_queued() -> None:
    virtual = show_on(yard(), [(t / 20, 60 + t % 7, 1) for t in range(60)], 0.04)
    virtual.run_for(1.5)
    virtual.midi(INPUT, note_on(40))
    virtual.run_for(0.05)
    virtual.act(Act.HUSH)
    virtual.midi(INPUT, control(7, 90))
    hushed_s = virtual.now_s
    virtual.run_for(0.11)
    assert [
        s for s in starts_after(virtual, "Larkspur", hushed_s + 0.003) if s < hushed_s + 0.1
    ] == []


def test_a_trip_and_a_new_arming_leave_no_live_note() -> None:
    virtual = show_on(yard(), [(0.5, 60, 1)], 5.0)
    virtual.run_for(1.5)
    virtual.midi(INPUT, note_on(40))
    virtual.run_for(0.1)
    virtual.act(Act.DISARM)
    dark_s = virtual.now_s
    virtual.run_for(0.5)
    virtual.act(Act.HUSH)
    virtual.act(Act.ARM)
    virtual.run_for(0.5)
    assert virtual.engine.interlock.state is State.ARMED
    assert starts_after(virtual, "Larkspur", dark_s + 0.003) == []


def test_a_held_live_key_keeps_from_arming() -> None:
    config = yard()
    source = ShowSource(config, Player([Item("One", score_of([(9.0, 60, 1)]))]), [Playing()])
    virtual = VirtualSite(config, source)
    virtual.midi(INPUT, note_on(40))
    assert not virtual.engine.checks(virtual.now_s)[0].passed
    virtual.midi(INPUT, note_off(40))
    virtual.run_for(1.0)
    assert virtual.engine.checks(virtual.now_s)[0].passed


# -- whose voices -------------------------------------------------------------------------------


def ask(voice_id: int, started_s: float, **changes: object) -> VoiceAsk:
    given = {"hold": Hold.HELD, "channel": 1, "note": 60, "energy": 0.5, "break_rate_hz": 200.0}
    return VoiceAsk(voice_id=voice_id, started_s=started_s, **{**given, **changes})  # type: ignore[arg-type]


SCORE = (ask(1, 1.0), ask(2, 5.0), ask(3, 0.5, priority=True))
LIVE = (ask(LIVE_IDS, 3.0), ask(LIVE_IDS + 1, 2.0))


@pytest.mark.parametrize(
    ("rule", "gone"),
    [("live", {1}), ("score", {LIVE_IDS + 1}), ("newest", {1})],
)
def test_who_yields(rule: LivePriority, gone: set[int]) -> None:
    kept = {a.voice_id for a in together(SCORE, LIVE, 4, rule)}
    assert {a.voice_id for a in (*SCORE, *LIVE)} - kept == gone


def test_a_fading_voice_yields_first_and_nothing_yields_without_need() -> None:
    fading = (*SCORE[:2], ask(7, 9.0, hold=Hold.RELEASED))
    assert 7 not in {a.voice_id for a in together(fading, LIVE, 4, "live")}
    assert together(SCORE, LIVE, 5, "score") == (*SCORE, *LIVE)
    assert together(SCORE, (), 2, "live") == SCORE


@pytest.mark.parametrize(("rule", "live_hz", "score_hz"), [("live", 440, 0), ("score", 0, 110)])
def test_a_coil_of_one_voice_plays_as_the_site_says(
    rule: str, live_hz: float, score_hz: float
) -> None:
    config = yard(max_voices=1, music={"live_priority": rule})
    virtual = show_on(config, [(0.4, 45, 1)], 6.0)
    organ_for(virtual)
    virtual.run_for(2.0)
    virtual.midi(INPUT, note_on(69))
    virtual.run_for(0.5)
    rate = rate_between(virtual, "Larkspur", virtual.now_s - 0.4, virtual.now_s)
    assert rate == pytest.approx(live_hz + score_hz, rel=0.05)


# -- the law ------------------------------------------------------------------------------------


class Saboteur:
    """Loses replacements: the whole write, or its first frame. Never two writes of a line in a
    row, so that each output loses one refresh at most, as the governor's law allows."""

    def __init__(self, virtual: VirtualSite, seed: int) -> None:
        self.lost = 0
        self._draw = random.Random(seed)
        for name in virtual.links:
            self._listen(virtual, name)

    def _listen(self, virtual: VirtualSite, name: str) -> None:
        link, draw, reader = virtual.links[name], self._draw, FrameReader()
        write, spared = link.write, [True]

        def sabotaged(time_s: float, data: bytes) -> None:
            frames = [f for f in reader.feed(data) if f.type_code == m.Voices.TYPE]
            replaces = any(m.Voices.parse(f.payload).flags & m.FLAG_FORGET_LATER for f in frames)
            if replaces and spared[0] and draw.random() < 0.5:
                self.lost += 1
                spared[0] = False
                first = data.index(0) + 1
                data = data[first:] if draw.random() < 0.5 else b""
            elif frames:
                spared[0] = True
            if data:
                write(time_s, data)

        link.write = sabotaged  # type: ignore[method-assign]


TIGHT = {
    "duty_windows": [
        {"window_ms": 1000, "max_percent": 2.0},
        {"window_ms": 50, "max_percent": 4.0},
    ],
    "max_break_rate_hz": 400,
}


def play_along(virtual: VirtualSite, draw: random.Random, names: list[str], seconds: float) -> None:
    held: list[tuple[str, int]] = []
    end_s = virtual.now_s + seconds
    while virtual.now_s < end_s and virtual.engine.interlock.state is State.ARMED:
        name = draw.choice(names)
        deed = draw.random()
        if deed < 0.5:
            note = draw.randrange(24, 90)
            virtual.midi(name, note_on(note, draw.choice([40, 127]), draw.choice([1, 1, 1, 10])))
            held.append((name, note))
        elif deed < 0.8 and held:
            name, note = held.pop(draw.randrange(len(held)))
            virtual.midi(name, note_off(note))
        elif deed < 0.9:
            virtual.midi(name, bend(draw.uniform(-200, 200)))
        else:
            virtual.midi(name, control(draw.choice([1, 7, 64]), draw.choice([0, 90, 127])))
        virtual.run_for(draw.choice([0.0, 0.001, 0.01, 0.05, 0.2]) * draw.uniform(0.5, 1.0))


@pytest.mark.parametrize("seed", range(4))
def test_random_nights_over_a_show_break_no_limit(seed: int) -> None:
    draw = random.Random(seed)
    rule = ("live", "score", "newest")[seed % 3]
    config = yard(
        jitter_ms=draw.choice([2.0, 20.0]),
        music={"live_priority": rule},
        **(TIGHT if seed % 2 else {}),
    )
    notes = [
        (draw.uniform(0, 7), draw.randrange(24, 90), draw.choice([1, 1, 10])) for _ in range(130)
    ]
    virtual = show_on(config, notes, draw.choice([0.03, 0.2, 0.6]), seed, loss=0.05)
    saboteur = Saboteur(virtual, seed)
    play_along(virtual, draw, [INPUT], 5.0)
    virtual.run_for(0.5)
    assert virtual.engine.interlock.state is State.ARMED
    assert guard_refusals(virtual) == 0
    assert not violations(config, virtual)
    assert saboteur.lost > 5
    assert fullest_use(config, virtual) > 0.5, "no limit was met"


@pytest.mark.parametrize("seed", range(2))
def test_random_nights_of_two_kinds_of_input_break_no_limit(seed: int) -> None:
    draw = random.Random(100 + seed)
    config = site([coil("Larkspur", "North", 1, **TIGHT)], inputs=[DELAYED, KEYS])
    virtual = VirtualSite(config, Instrument(config))
    virtual.arm()
    saboteur = Saboteur(virtual, seed)
    play_along(virtual, draw, ["daw", INPUT], 5.0)
    assert virtual.engine.interlock.state is State.ARMED
    assert guard_refusals(virtual) == 0
    assert not violations(config, virtual)
    assert saboteur.lost > 5
    assert fullest_use(config, virtual) > 0.5, "no limit was met"


def test_who_is_near() -> None:
    config = yard()
    assert Timeline(config).near == frozenset()  # nothing is sent ahead
    assert Timeline(config, 0.125).near == {INPUT}
    slow = site([coil("Larkspur", "North", 1)], inputs=[DELAYED | {"delay_ms": 140}])
    assert Timeline(slow, 0.125).near == frozenset()  # it has time
    assert Timeline(slow).early_s == 0
