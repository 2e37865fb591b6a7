"""The show's transport: holds, countdowns, bars, items; the audio's part in it, told by words."""

from __future__ import annotations

import pytest

from bridge.clocks import HostS
from bridge.engine import Act
from bridge.interlock import State
from bridge.show import audio_link
from bridge.show.audio_link import AudioLink
from bridge.show.player import (
    START_S,
    AudioWish,
    Item,
    NoSuchPlace,
    OnTrip,
    Player,
    Steady,
    Transport,
)
from bridge.show.show_file import Show
from bridge.show.show_source import Playing
from tests.chain.rig import guard_refusals
from tests.show.stage import score_of, stage
from tests.show.test_chase import Daw
from tests.show.test_player import begin, depot, onsets, steady
from tests.show.test_timecode import FrameRate

AUDIO = Item("One", steady(60), countdown_s=5.0, has_audio=True, audio_s=40.0)


def at(second: float) -> HostS:
    return HostS(second)


# -- a chased item waits for the operator -----------------------------------------------------


def test_a_chased_item_waits_for_the_operators_go() -> None:
    daw = Daw(FrameRate.FPS_25)
    daw.source.player.choose(daw.site.now_s, 0)  # as before any go
    daw.rolls(0.0, 2.0)
    assert daw.source.player.transport is Transport.READY
    assert onsets(daw.site) == []
    daw.source.go(daw.site.now_s)
    daw.rolls(2.0, 2.0)
    assert daw.source.player.transport is Transport.PLAYING
    assert onsets(daw.site)


def test_the_operators_pause_holds_a_chased_item_though_its_master_rolls() -> None:
    daw = Daw(FrameRate.FPS_30)
    daw.rolls(0.0, 2.0)
    assert onsets(daw.site)
    daw.source.pause(daw.site.now_s)
    daw.site.engine.source_changed(daw.site.now_s)
    paused_s = daw.site.now_s
    daw.rolls(2.0, 2.0)
    assert daw.source.player.transport is Transport.PAUSED
    assert onsets(daw.site)[-1] < paused_s + 0.3
    daw.source.resume(daw.site.now_s, None)
    daw.rolls(4.0, 2.0)
    assert daw.source.player.transport is Transport.PLAYING
    assert onsets(daw.site)[-1] > paused_s + 2.5
    with pytest.raises(NoSuchPlace, match="go there in the DAW"):
        daw.source.resume(daw.site.now_s, 3)


def test_a_chased_item_is_silent_after_a_trip_until_go_though_its_master_rolls() -> None:
    daw = Daw(FrameRate.FPS_24)
    daw.rolls(0.0, 2.0)
    daw.site.stop()
    tripped_s = daw.site.now_s
    daw.rolls(2.0, 1.0)
    daw.site.act(Act.RESET)
    daw.rolls(3.0, 0.5)
    daw.site.act(Act.ARM)
    daw.rolls(3.5, 3.0)
    assert daw.site.engine.interlock.state is State.ARMED
    assert onsets(daw.site)[-1] < tripped_s + 0.01
    daw.source.resume(daw.site.now_s, None)
    daw.rolls(6.5, 2.0)
    assert onsets(daw.site)[-1] > tripped_s + 6.0
    assert guard_refusals(daw.site) == 0


# -- bars and items -----------------------------------------------------------------------------


def test_a_pause_behind_the_last_bar_goes_on_at_the_last_bar() -> None:
    player = Player([Item("One", score_of([(0.5, 60, 1), (5.0, 60, 1)]))])
    player.go(at(10))
    player.pause(at(13.0 + 6.3))  # the last bar begins at 4 s, the fourth would at 6
    player.resume(at(20), None)
    assert player.transport is Transport.PLAYING
    assert player.position_s(at(20 + START_S)) == pytest.approx(4.0)


@pytest.mark.parametrize("bar", [0, 4, 99])
def test_a_bar_that_is_not_there_disturbs_nothing(bar: int) -> None:
    player = Player([Item("One", score_of([(0.5, 60, 1), (5.0, 60, 1)]))])
    player.go(at(10))
    with pytest.raises(NoSuchPlace, match="bars 1 to 3"):
        player.resume(at(14), bar)
    assert player.transport is Transport.PLAYING
    assert player.position_s(at(14)) == pytest.approx(1.0)


def test_an_items_late_settings_do_not_reach_the_next_items_instrument() -> None:
    """A host that stood still takes the last of one item and its end in one."""
    silent = score_of([(0.5, 60, 1)])
    loud = Item("Two", score_of([(0.5, 60, 1)]), wait=False, countdown_s=0.0)
    virtual, source = stage(depot(), [Item("One", silent, countdown_s=0.0), loud])
    begin(virtual, source)
    end_s = source.player.next_s()
    found = source.take(source.next_event_s())
    assert found, "the first item plays"
    assert source.take(type(found[0][0])(end_s + 5.0)) == []
    assert source.player.index == 1


# -- audio --------------------------------------------------------------------------------------


def test_without_a_device_the_countdown_is_counted_out() -> None:
    player = Player([AUDIO])
    player.go(at(100))
    assert player.audio_wishes == [AudioWish("play", 0, 0.0, at(105))]
    player.audio_is_missing(at(100.02))
    assert player.position_s(at(105)) == pytest.approx(0.0)
    late = Player([AUDIO])
    late.go(at(100))
    late.audio_is_missing(at(104.9))
    assert late.position_s(at(104.9 + START_S)) == pytest.approx(0.0)


def playing_by_audio(on_trip: OnTrip) -> Player:
    item = Item("One", steady(60), countdown_s=1.0, has_audio=True, audio_s=40.0, on_trip=on_trip)
    player = Player([item])
    player.go(at(0))
    player.audio_plays(Steady(at(1)))
    player.audio_wishes.clear()
    assert player.position_s(at(5)) == pytest.approx(4.0)
    return player


def test_a_trip_stops_the_audio_fades_it_or_lets_it_go_on() -> None:
    stopped = playing_by_audio("stop")
    stopped.tripped(at(5))
    assert [w.act for w in stopped.audio_wishes] == ["stop"]
    faded = playing_by_audio("fade")
    faded.tripped(at(5))
    assert [w.act for w in faded.audio_wishes] == ["fade"]
    on = playing_by_audio("go on")
    on.tripped(at(5))
    assert on.audio_wishes == []
    for player in (stopped, faded, on):
        assert player.transport is Transport.PAUSED
        assert player.position_s(at(9)) == pytest.approx(4.0)
        assert player.next_s() == float("inf"), "the coils get nothing"


def test_audio_that_went_on_is_joined_where_it_is() -> None:
    player = playing_by_audio("go on")
    player.tripped(at(5))
    player.resume(at(15), None)
    assert player.audio_wishes == [], "it plays already"
    assert player.position_s(at(16)) == pytest.approx(15.0)
    assert player.next_s() >= at(15 + START_S)


def test_audio_that_went_on_and_was_stopped_is_not_joined() -> None:
    player = playing_by_audio("go on")
    player.tripped(at(5))
    player.pause(at(6))
    player.audio_wishes.clear()
    player.resume(at(15), None)
    assert [w.act for w in player.audio_wishes] == ["stop", "play"]
    assert player.transport is Transport.COUNTDOWN


def test_from_the_bar_again_while_the_audio_plays_begins_both_there() -> None:
    player = playing_by_audio("go on")
    player.resume(at(6.5), None)  # position 5.5 s, in bar 3
    assert [(w.act, w.position_s) for w in player.audio_wishes] == [("stop", 0.0), ("play", 4.0)]


def test_the_next_item_does_not_go_by_the_last_items_audio() -> None:
    items = [AUDIO, Item("Two", steady(8), has_audio=True, audio_s=9.0, on_trip="go on")]
    player = Player(items)
    player.go(at(0))
    player.audio_plays(Steady(at(5)))
    player.choose(at(9), 1)
    player.go(at(10))
    player.audio_wishes.clear()
    player.tripped(at(11))  # in the countdown: nothing of it plays yet
    assert [w.act for w in player.audio_wishes] == ["stop"]


def link(
    player: Player, monkeypatch: pytest.MonkeyPatch, now_s: float
) -> tuple[AudioLink, list[str]]:
    said: list[str] = []
    show = Show("Lantern night", player.items, (Playing(),), (), None, ())
    monkeypatch.setattr(audio_link, "host_now", lambda: at(now_s))
    return AudioLink(show, player, said.append), said


def test_an_audio_process_that_dies_in_the_countdown_keeps_the_show_from_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    player = Player([AUDIO])
    audio, said = link(player, monkeypatch, 102.0)
    player.go(at(100))
    audio.do(player.audio_wishes)
    assert player.transport is Transport.COUNTDOWN
    audio.lost("its process ended (1)")
    assert player.transport is Transport.PLAYING
    assert player.position_s(at(105)) == pytest.approx(0.0)
    assert "its process ended (1)" in said[-1]
    player.pause(at(110))  # and it stays so
    player.resume(at(120), None)
    audio.do(player.audio_wishes)
    assert player.transport is Transport.PLAYING


def test_the_coils_go_by_the_frames_that_were_played(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stream time 7.25 s is item time 0; the device runs 200 ppm fast."""
    player = Player([AUDIO])
    audio, _ = link(player, monkeypatch, 100.0)
    audio.heard({"rate": 48_000.0, "device": "a device"})
    player.go(at(100))
    audio.do(player.audio_wishes)

    def report(host_s: float, underruns: int = 0, late_s: float = 0.0) -> None:
        stream_s = 2.25 + (host_s - 100) * 1.0002 - late_s
        pace = {"pace": 1.0002, "underruns": underruns}
        audio.heard({"at_s": host_s, "stream_s": stream_s, **pace})

    report(100.0)
    audio.heard({"begins": 0, "stream_s": 7.25, "position_s": 0.0})
    for step in range(1, 1500):
        report(100 + step * 0.02)
    assert player.position_s(at(129.98)) == pytest.approx(29.98 * 1.0002 - 5.0, abs=2e-4)
    report(130.0, underruns=1, late_s=0.1)  # a tenth of a second was silence: the rest is later
    assert player.position_s(at(130.0)) == pytest.approx(30 * 1.0002 - 5.1, abs=1e-3)


def test_words_for_another_item_begin_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    player = Player([AUDIO])
    audio, _ = link(player, monkeypatch, 100.0)
    player.go(at(100))
    audio.heard({"begins": 1, "stream_s": 7.25, "position_s": 0.0})
    assert player.transport is Transport.COUNTDOWN
