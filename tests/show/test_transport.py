"""The player by itself, with the shell's part played here: countdown, pause, trips, audio."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from bridge.clocks import HostS, MusicS
from bridge.show.player import START_S, TAIL_S, Item, OnTrip, Player, Transport
from bridge.show.position_map import Shifted, Steady
from bridge.show.score_file import Score, ScoreEvent
from bridge.show.show_source import Playing, ShowSource
from tests.show.stage import score_of
from tests.show.test_player import depot

BAR_S = 2.0
"""At 120 quarter notes a minute, four a bar."""
NOTES = score_of([(0.0, 60, 1), (4.0, 62, 1), (9.0, 64, 1)])
BACKED = Item("One", NOTES, has_audio=True, audio_s=40.0)
HEARD_S = 1000.0
"""When it is called for."""


def acts(player: Player) -> list[str]:
    """What it wants of the audio, taken out as the shell does."""
    found = [wish.act for wish in player.audio_wishes]
    player.audio_wishes.clear()
    return found


def heard(player: Player) -> Shifted:
    """The audio process answers the last wish: it plays from there, by the device's own clock."""
    wish = player.audio_wishes[-1]
    assert wish.act == "play"
    clock = Shifted(Steady(HostS(wish.at_s - wish.position_s - 7.0)), 7.0)
    player.audio_plays(clock)
    player.audio_wishes.clear()
    return clock


def playing(item: Item, *more: Item, for_s: float) -> tuple[Player, HostS]:
    """A player, so many seconds into its first item."""
    player = Player([item, *more])
    player.go(HostS(HEARD_S))
    if item.has_audio:
        heard(player)
    now_s = HostS(HEARD_S + item.countdown_s + for_s)
    player.take(now_s)
    assert player.transport is Transport.PLAYING
    assert player.position_s(now_s) == pytest.approx(for_s)
    return player, now_s


# -- countdown ----------------------------------------------------------------------------------


@pytest.mark.parametrize("found_after_s", [0.0, 4.0, 9.9, 12.0])
def test_without_a_device_the_countdown_is_counted_out(found_after_s: float) -> None:
    """That there is none may come out at once, while it counts, or when it should have begun."""
    player = Player([replace(BACKED, countdown_s=10.0)])
    player.go(HostS(HEARD_S))
    player.audio_is_missing(HostS(HEARD_S + found_after_s))
    begins_s = HEARD_S + max(10.0, found_after_s + START_S)
    assert player.next_s() == pytest.approx(begins_s)
    assert player.position_s(HostS(HEARD_S + found_after_s)) < 0
    assert player.take(HostS(begins_s - 1e-6)) == []
    assert [m[0] for _, m in player.take(HostS(begins_s + 1e-6))] == [0x90]


def test_a_bar_resumed_at_without_a_device_begins_there() -> None:
    player, now_s = playing(BACKED, for_s=5.0)
    player.resume(now_s, 3)
    player.audio_is_missing(HostS(now_s + 0.1))
    found = player.take(HostS(now_s + 0.1 + START_S + 0.001))
    assert [(round(at_s - now_s, 3), m[1]) for at_s, m in found] == [(0.7, 62)]


# -- pause --------------------------------------------------------------------------------------


@pytest.mark.parametrize("item", [Item("One", NOTES), BACKED])
@pytest.mark.parametrize("rest_s", [0.5, 1.4])
def test_a_pause_after_the_last_bar_can_be_resumed_from(item: Item, rest_s: float) -> None:
    """Where the notes ring out, or the audio is longer than the score."""
    last_s = NOTES.duration_s + rest_s + (20.0 if item.has_audio else 0.0)
    player, now_s = playing(item, for_s=last_s)
    player.pause(now_s)
    player.resume(now_s, None)
    bar_s = last_s // BAR_S * BAR_S
    if item.has_audio:
        assert player.audio_wishes[-1].position_s == pytest.approx(bar_s)
        heard(player)
    assert player.transport is Transport.PLAYING
    assert player.position_s(HostS(now_s + START_S)) == pytest.approx(bar_s)


def test_a_bar_after_the_last_cannot_be_asked_for() -> None:
    player, now_s = playing(BACKED, for_s=1.0)
    with pytest.raises(ValueError, match="bars 1 to 5"):
        player.resume(now_s, 7)
    assert player.transport is Transport.PLAYING, "what was not understood stops nothing"


def test_a_pause_in_the_countdown_begins_anew() -> None:
    player = Player([replace(BACKED, countdown_s=10.0)])
    player.go(HostS(HEARD_S))
    player.pause(HostS(HEARD_S + 2))
    assert player.transport is Transport.PAUSED
    assert acts(player) == ["play", "stop"]
    player.go(HostS(HEARD_S + 5))
    assert player.audio_wishes[-1].position_s == 0.0


# -- a trip -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("on_trip", "act"), [("stop", ["stop"]), ("fade", ["fade"])])
def test_a_trip_stops_or_fades_the_audio_and_keeps_the_place(
    on_trip: OnTrip, act: list[str]
) -> None:
    player, now_s = playing(replace(BACKED, on_trip=on_trip), for_s=5.0)
    player.tripped(now_s)
    assert acts(player) == act
    assert player.transport is Transport.PAUSED
    assert player.take(HostS(now_s + 60)) == []
    assert player.next_s() == math.inf
    later_s = HostS(now_s + 100)
    assert player.position_s(later_s) == pytest.approx(5.0)
    player.resume(later_s, None)
    assert player.audio_wishes[-1].position_s == pytest.approx(4.0)
    heard(player)
    found = player.take(HostS(later_s + START_S + 0.001))
    assert [m[1] for _, m in found] == [62]


def test_audio_that_goes_on_is_joined_where_it_is_by_then() -> None:
    player, now_s = playing(replace(BACKED, on_trip="go on"), for_s=2.0)
    player.tripped(now_s)
    assert acts(player) == []
    assert player.transport is Transport.PAUSED
    assert player.take(HostS(now_s + 5)) == []
    player.resume(HostS(now_s + 5.0), None)
    assert acts(player) == []
    assert player.take(HostS(now_s + 6.9)) == [], "what was played meanwhile is not made up for"
    found = player.take(HostS(now_s + 7.05))
    assert [(round(at_s - now_s, 6), m[1]) for at_s, m in found] == [(7.0, 64)]


def test_audio_that_goes_on_may_be_left_for_a_bar() -> None:
    player, now_s = playing(replace(BACKED, on_trip="go on"), for_s=2.0)
    player.tripped(now_s)
    player.resume(HostS(now_s + 5.0), 3)
    assert acts(player) == ["play"]
    assert player.transport is Transport.COUNTDOWN


@pytest.mark.parametrize("ended", ["paused", "played out"])
def test_audio_that_went_on_before_is_not_taken_for_this_items(ended: str) -> None:
    """A trip in the countdown of the next item, whose audio has not begun."""
    one, two = replace(BACKED, on_trip="go on"), replace(BACKED, name="Two", on_trip="go on")
    player, now_s = playing(one, two, for_s=2.0)
    if ended == "paused":
        player.pause(now_s)
        player.choose(now_s, 1)
    else:
        now_s = HostS(now_s + 50.0)
        player.take(now_s)
    assert player.index == 1
    player.go(now_s)
    acts(player)
    player.tripped(HostS(now_s + 1.0))
    assert acts(player) == ["stop"], "its audio must not begin by itself"
    player.resume(HostS(now_s + 2.0), None)
    assert acts(player) == ["play"]
    assert player.transport is Transport.COUNTDOWN


def test_an_answer_of_the_audio_after_a_pause_starts_nothing() -> None:
    player = Player([BACKED])
    player.go(HostS(HEARD_S))
    clock = Steady(HostS(HEARD_S + 3.0))
    player.pause(HostS(HEARD_S + 0.1))
    player.audio_plays(clock)
    assert player.transport is Transport.PAUSED
    assert player.take(HostS(HEARD_S + 20)) == []


# -- the next item ------------------------------------------------------------------------------


def test_an_items_settings_are_not_the_next_ones() -> None:
    """A host that stood still over an item's end catches up with all it had set: too late for it,
    and nothing to the next one."""
    events = [ScoreEvent(9.0, b"\xc0\x50"), ScoreEvent(9.1, b"\xb0\x07\x00")]
    one = Item("One", Score(events, ticks_per_quarter=480), countdown_s=0.0)
    source = ShowSource(depot(), Player([one, Item("Two", NOTES)]), [Playing(), Playing()])
    source.go(HostS(HEARD_S))
    found = source.take(MusicS(HEARD_S + 9.1 + TAIL_S + 5))
    assert source.player.index == 1
    assert found == []
