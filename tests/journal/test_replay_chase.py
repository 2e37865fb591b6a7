"""Identical frames from a show that follows a DAW, by time code and by MIDI clock."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

import pytest

from bridge import entries
from bridge.interlock import State
from bridge.journal.night import Night
from bridge.show.chasing import Chase
from bridge.show.player import Item, Player, Transport
from bridge.show.show_source import Playing, ShowSource
from bridge.show.show_stage import ShowStage
from bridge.show.timecode import FrameRate
from tests.journal.rig import recorded, replayed
from tests.journal.through import through
from tests.running_site import NOW, Site
from tests.show.stage import score_of
from tests.show.test_timecode import quarter_frames

pytestmark = [pytest.mark.real, pytest.mark.alone]
"""A master's signs come by the clock: one that comes late is none."""


@pytest.fixture(scope="module")
def chased(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """One item by time code, the next by MIDI clock: locked, left without a sign, and taken up."""
    folder = tmp_path_factory.mktemp("chased")
    notes = score_of([(0.1 * n, 45 + n % 24, 1 + n % 2) for n in range(200)])
    items = [Item(name, notes, is_chased=True, countdown_s=0.0) for name in ("Code", "Clock")]
    playing = [
        Playing(chase=Chase("keys", "mtc", 3600.0)),
        Playing(chase=Chase("keys", "clock")),
    ]
    made = Site(folder, lambda c: ShowStage(c, ShowSource(c, Player(items), playing)))
    stage = made.service.engine.source
    assert isinstance(stage, ShowStage)
    source = stage.inner
    assert isinstance(source, ShowSource)

    async def send(messages: Iterable[bytes], gap_s: float) -> None:
        begin_s = NOW()
        for number, message in enumerate(messages):
            await asyncio.sleep(max(0.0, begin_s + number * gap_s - NOW()))
            made.service.midi_in(NOW(), "keys", message)

    async def story(made: Site) -> None:
        source.go(NOW())
        made.service.source_changed()
        await send(quarter_frames(FrameRate.FPS_25, 90_000, 60), 0.01)
        assert source.player.transport is Transport.PLAYING
        await asyncio.sleep(0.7)  # it runs on by itself for half a second, and stands
        assert source.player.transport is Transport.PAUSED
        await send(quarter_frames(FrameRate.FPS_25, 90_250, 60), 0.01)
        assert source.player.transport is Transport.PLAYING
        source.choose(NOW(), 1)
        source.go(NOW())
        made.service.source_changed()
        await send([b"\xfa", *[b"\xf8"] * 48], 0.02)
        assert source.player.transport is Transport.PLAYING
        made.service.midi_in(NOW(), "keys", b"\xfc")
        await asyncio.sleep(0.1)
        assert made.service.engine.interlock.state is State.ARMED

    return recorded(folder, story, made)[1]


def test_a_show_that_follows_a_daw_gives_identical_frames(chased: Night) -> None:
    found = replayed(chased)
    assert found.same, found.difference
    assert found.writes > 150


@pytest.mark.parametrize("first", [b"\xf1", b"\xf8", b"\xfc"], ids=["code", "clock", "stop"])
def test_every_sign_of_a_master_matters(chased: Night, first: bytes) -> None:
    """Without the last of its kind the replay is another one: so it was compared at all."""
    events = list(chased.read())
    of_kind = [
        n for n, e in enumerate(events) if isinstance(e, entries.Midi) and e.message[:1] == first
    ]
    assert of_kind
    left_out = set(of_kind[-20:])
    assert not through(chased, [e for n, e in enumerate(events) if n not in left_out])
