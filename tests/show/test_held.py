"""A chased item plays only after the operator's go, and no longer than until his pause."""

from __future__ import annotations

import pytest

from bridge.clocks import HostS
from bridge.engine import Act
from bridge.interlock import State
from bridge.show.chasing import Chase
from bridge.show.follower import Lock
from bridge.show.player import Item, Transport
from bridge.show.show_source import Playing
from bridge.show.timecode import FrameRate
from bridge.virtual_site import VirtualSite
from tests.show.stage import score_of, stage
from tests.show.test_chase import Daw, errors, in_place, lawful
from tests.show.test_player import depot, onsets, steady


def tell(site: VirtualSite) -> None:
    site.engine.source_changed(site.now_s)


def test_it_waits_for_go_though_its_master_runs() -> None:
    daw = Daw(FrameRate.FPS_25, go=False)
    site, source = daw.site, daw.source
    daw.rolls(0.0, 2.0)
    assert source.chasing is not None
    assert source.chasing.follower.lock is Lock.LOCKED
    assert source.player.transport is Transport.READY
    assert onsets(site) == []
    source.go(site.now_s)
    tell(site)
    begun_s = site.now_s
    zero_s = daw.rolls(2.0, 2.0)
    late = errors(site, zero_s, begun_s + 0.6, site.now_s)
    assert in_place(late), late
    assert lawful(site)


def test_pause_holds_it_though_its_master_runs_on() -> None:
    daw = Daw(FrameRate.FPS_30)
    site, source = daw.site, daw.source
    daw.rolls(0.0, 2.0)
    source.pause(site.now_s)
    tell(site)
    paused_s = site.now_s
    daw.rolls(2.0, 3.0)
    assert onsets(site)[-1] < paused_s + site.engine.timeline.lead_s + 0.1
    assert source.player.transport is Transport.PAUSED
    assert not source.notes_held()
    source.go(site.now_s)  # joins its master where that is by now
    tell(site)
    begun_s = site.now_s
    zero_s = daw.rolls(5.0, 2.0)
    late = errors(site, zero_s, begun_s + 0.6, site.now_s)
    assert in_place(late), late
    assert lawful(site)


@pytest.mark.parametrize("standing", [False, True])
def test_after_a_trip_it_plays_only_after_another_go(standing: bool) -> None:
    """Though its master runs on through stop, reset and arm, or stood when it was stopped."""
    daw = Daw(FrameRate.FPS_24)
    site, source = daw.site, daw.source
    daw.rolls(0.0, 2.0)
    if standing:
        site.run_for(1.0)
        assert source.player.transport is Transport.PAUSED
    site.stop()
    stopped_s = site.now_s
    daw.rolls(2.0, 1.0)
    site.act(Act.RESET)
    daw.rolls(3.0, 0.5)
    site.act(Act.ARM)
    daw.rolls(3.5, 3.5)
    assert site.engine.interlock.state is State.ARMED
    assert source.player.transport is Transport.PAUSED
    assert [t for t in onsets(site) if t > stopped_s] == []
    source.go(site.now_s)
    tell(site)
    begun_s = site.now_s
    zero_s = daw.rolls(7.0, 2.0)
    late = errors(site, zero_s, begun_s + 0.6, site.now_s)
    assert in_place(late), late


@pytest.mark.parametrize("wait", [True, False])
def test_the_next_item_follows_the_same_master_at_once_or_after_go(wait: bool) -> None:
    items = [
        Item("One", score_of([(0.5, 60, 1)]), is_chased=True),
        Item("Two", steady(40), is_chased=True, wait=wait),
    ]
    playing = [Playing(chase=Chase("keys", "mtc", 3600.0)) for _ in items]
    daw = Daw(FrameRate.FPS_25, stage(depot(), items, playing))
    daw.rolls(0.0, 6.0)
    assert daw.source.player.index == 1
    second = [t for t in onsets(daw.site) if t > daw.site.now_s - 3.0]
    if wait:
        assert daw.source.player.transport is Transport.READY
        assert second == []
    else:
        assert daw.source.player.transport is Transport.PLAYING
        assert second


def test_its_bar_is_its_masters_to_choose() -> None:
    daw = Daw(FrameRate.FPS_25)
    with pytest.raises(ValueError, match="locate there"):
        daw.source.resume(HostS(daw.site.now_s), 3)
