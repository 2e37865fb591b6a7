"""Identical frames from other runs than the usual: a fixed delay, and a show with audio and stops.

The audio device's clock is a made one here, 80 ppm quick, with jitter and an underrun; what matters
is that all the show heard of it is in the journal.
"""

from __future__ import annotations

import asyncio
import itertools
import random
from pathlib import Path

import pytest

from bridge import entries
from bridge.clocks import HostS
from bridge.config import Config, Route
from bridge.engine import Act
from bridge.interlock import Cause, State
from bridge.journal.night import Night
from bridge.journal.values import Event, Told
from bridge.music.instrument import Instrument
from bridge.show.chasing import Chase
from bridge.show.player import Item, Player, Transport
from bridge.show.score_file import Score
from bridge.show.show_record import show_as_text, show_from_text
from bridge.show.show_source import Playing, ShowSource
from bridge.show.show_stage import ShowStage
from bridge.stage import Stage
from firmware_protocol.catalogue import State as BoardState
from tests.chain.rig import note_on
from tests.journal.rig import recorded, replayed
from tests.journal.through import through
from tests.running_site import NOW, Site
from tests.show.stage import score_of

DELAYED = [
    {
        "name": "keys", "virtual_port": "Coilwarden", "timing": "fixed_delay", "delay_ms": 60,
        "max_note_s": 600,
    }
]  # fmt: skip

pytestmark = pytest.mark.real
"""A service on the true clock: a machine that stalls for 200 ms trips it."""


def test_a_fixed_delay_with_the_panels_mutes_and_bangs(tmp_path: Path) -> None:
    made = Site(tmp_path, lambda config: Stage(config, Instrument(config)), DELAYED)
    stage = made.service.engine.source
    assert isinstance(stage, Stage)

    async def story(made: Site) -> None:
        for note in (45, 52, 57, 64):
            made.service.midi_in(NOW(), "keys", note_on(note, 100))
            made.service.midi_in(NOW(), "keys", bytes((0xE0, 0, 30 + note)))
            await asyncio.sleep(0.05)
        stage.mute("Foxglove", True)
        stage.set_loudness(0.6)
        made.service.source_changed()
        await asyncio.sleep(0.2)
        stage.fire("Larkspur", made.service.engine.timeline.now_s(NOW()))
        made.service.source_changed()
        made.service.midi_in(NOW(), "keys", bytes((0x90, 57, 0)))
        await asyncio.sleep(0.2)
        made.service.act(Act.DISARM, "panel Mara")
        await asyncio.sleep(0.1)

    _, night = recorded(tmp_path, story, made)
    found = replayed(night)
    assert found.same, found.difference
    assert found.writes > 60


def test_what_was_held_back_when_a_stop_came(tmp_path: Path) -> None:
    """The Engine tells both at once then, the stop first; a replay may hear of them one by one."""

    async def story(made: Site) -> None:
        for _ in range(3):
            for note in range(70, 94, 3):  # more than the coils can do
                made.service.midi_in(NOW(), "keys", note_on(note, 127))
            await asyncio.sleep(0.15)
            made.service.act(Act.HUSH, "panel Mara")
        made.service.stop(Cause.OPERATOR_STOP, "planted", "panel Ilse")
        await asyncio.sleep(0.1)

    _, night = recorded(tmp_path, story)
    found = replayed(night)
    assert found.same, found.difference
    # Whichever way it fell here: told just before something else, or just after, it is the same.
    events = list(night.read())
    told = [n for n, e in enumerate(events) if isinstance(e, Told)]
    one, other = next(
        (a, b) for a, b in itertools.pairwise(told)
        if [_is_held_back(events[n]) for n in (a, b)] in ([True, False], [False, True])
    )  # fmt: skip
    events[one : other + 1] = [*events[one + 1 : other + 1], events[one]]
    assert through(night, events)


def _is_held_back(event: Event) -> bool:
    return isinstance(event, Told) and event.kind == "HeldBackChanged"


def items() -> list[Item]:
    notes = [(0.1 * n, 45 + n % 24, 1 + n % 2) for n in range(60)]
    return [
        Item("Round", score_of(notes), countdown_s=0.0),
        Item("Lamps", score_of(notes), score_offset_s=0.2, countdown_s=0.0, has_audio=True,
             audio_s=8.0, on_trip="go on"),
    ]  # fmt: skip


def show(config: Config) -> ShowStage:
    routed = Route.model_validate({"channels": (1,), "coils": ("Foxglove",)})
    playing = [Playing(), Playing(routes=(routed, routed.model_copy(update={"channels": (2,)})))]
    return ShowStage(config, ShowSource(config, Player(items()), playing))


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    folder = tmp_path_factory.mktemp("show")
    made = Site(folder, show)
    stage = made.service.engine.source
    assert isinstance(stage, ShowStage)
    source = stage.inner
    assert isinstance(source, ShowSource)
    rnd, began_s = random.Random(3), NOW()

    async def play_audio(for_s: float) -> None:
        until_s = NOW() + for_s
        while NOW() < until_s:
            now_s = NOW()
            late_s = rnd.expovariate(1 / 0.0004)
            source.audio_at(HostS(now_s), (now_s - began_s - late_s) * 1.00008, 1.00008)
            await asyncio.sleep(0.02)

    async def story(made: Site) -> None:
        service = made.service
        source.go(NOW())
        service.source_changed()
        await asyncio.sleep(0.9)
        service.midi_in(NOW(), "keys", note_on(60, 100))  # somebody plays along
        source.pause(NOW())
        service.source_changed()
        await asyncio.sleep(0.2)
        for bar in (99, None):  # one that is not there; then the one that was paused in
            try:
                source.resume(NOW(), bar)
            except ValueError:
                continue
        await asyncio.sleep(0.9)  # nobody says that the source changed
        stage.mute("Larkspur", True)
        service.source_changed()
        await asyncio.sleep(0.2)
        service.stop(Cause.OPERATOR_STOP, "planted", "panel Ilse")
        for key in (57, 60):
            service.midi_in(NOW(), "keys", bytes((0x90, key, 0)))
        await made.until(lambda: made.states() == [BoardState.TRIPPED] * 2, "the boards")
        service.act(Act.RESET, "panel Mara")
        await made.until(lambda: service.engine.interlock.state is State.LOCKED, "reset")
        await made.until(lambda: all(c.passed for c in service.engine.checks(NOW())), "the list")
        service.act(Act.ARM, "panel Mara")
        await made.until(lambda: service.engine.interlock.state is State.ARMED, "armed")
        source.choose(NOW(), 1)
        await play_audio(0.3)
        source.go(NOW())
        service.source_changed()
        await play_audio(0.2)
        source.audio_begins(1, NOW() - began_s + 0.15)
        await play_audio(0.7)
        source.audio_jumped()
        await play_audio(0.6)
        assert source.player.transport is Transport.PLAYING
        source.choose(NOW(), 1)
        source.go(NOW())
        source.audio_is_missing(NOW())
        await asyncio.sleep(1.0)

    return recorded(folder, story, made)[1]


def test_a_show_with_its_audios_clock_gives_identical_frames(night: Night) -> None:
    found = replayed(night)
    assert found.same, found.difference
    assert found.writes > 250
    heard = [e for e in night.read() if isinstance(e, entries.SourceHeard)]
    assert len(heard) > 30


@pytest.mark.parametrize("left_out", ["go", "resume", "pause", "choose", "audio_at",
                                      "audio_begins", "audio_is_missing"])  # fmt: skip
def test_whatever_a_show_heard_matters(night: Night, left_out: str) -> None:
    """Without it the replay is another one: so it was compared at all."""

    def without(event: Event) -> Event:
        if not isinstance(event, entries.SourceTold | entries.SourceHeard):
            return event
        commands = tuple(c for c in event.commands if c[0] != f"show {left_out}")
        return event._replace(commands=commands)

    assert not through(night, [without(e) for e in night.read()])


def test_a_show_comes_back_from_its_text_as_it_was() -> None:
    playing = [
        Playing(),
        Playing((Route.model_validate({"coils": ("Foxglove",)}),), 3, Chase("keys", "mtc", 36.04)),
    ]
    changing = Score(
        items()[0].score.events,
        ticks_per_quarter=480,
        tempos=[(0, 400_000), (960, 700_000), (960, 650_000)],
        signatures=[(0, 3, 4), (1440, 4, 4)],
        end_s=9.0,
    )
    before = [Item("Changing", changing), items()[1]]
    again, playing_again = show_from_text(show_as_text(before, playing))
    assert playing_again == playing
    for one, other in zip(before, again, strict=True):
        last = one.score.bar_at(one.score.duration_s)
        for bar in range(1, last + 1):
            assert other.score.position_at_bar(bar) == one.score.position_at_bar(bar)
            assert other.score.bar_at(bar * 1.3) == one.score.bar_at(bar * 1.3)
        assert one.score.events == other.score.events
        assert one.score.tempos_us == other.score.tempos_us
        assert one.duration_s == other.duration_s
        assert {f: getattr(one, f) for f in one.__dataclass_fields__ if f != "score"} == {
            f: getattr(other, f) for f in other.__dataclass_fields__ if f != "score"
        }
    with pytest.raises(ValueError, match="today's program"):
        show_from_text("bm90aGluZw==")
