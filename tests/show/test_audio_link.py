"""The daemon's end of the audio process, and the desk around it; the process is played here."""

from __future__ import annotations

import asyncio
import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from bridge.clocks import HostS, MusicS
from bridge.interlock import State
from bridge.show import audio_link, perform
from bridge.show.audio_link import ANSWER_S, LOAD_S, QUIET_LOOKS, AudioLink
from bridge.show.chasing import Chase
from bridge.show.perform import Desk
from bridge.show.player import START_S, Item, OnTrip, Player, Transport
from bridge.show.show_file import AudioFile, Show
from bridge.show.show_source import Playing, ShowSource
from tests.fake_audio import plays
from tests.show.stage import score_of
from tests.show.test_player import depot

NOTES = score_of([(0.0, 60, 1), (4.0, 62, 1)])
BACKED = Item("One", NOTES, has_audio=True, audio_s=40.0, countdown_s=5.0)
DEVICE_RATE = 1.0001
"""Seconds of the device in one of the host."""


class Process:
    """Stands in for the process: keeps what it is told, and whether it was killed."""

    def __init__(self) -> None:
        self.stdin = self
        self.told: list[dict[str, Any]] = []
        self.killed = False

    def write(self, data: bytes) -> None:
        self.told += [json.loads(line) for line in data.splitlines()]

    def kill(self) -> None:
        self.killed = True


class Bench:
    """A link and its player, by a clock that is moved here."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *items: Item) -> None:
        self.now_s = HostS(1000.0)
        self.said: list[str] = []
        self.player = Player(items or [BACKED])
        self.process = Process()
        show = Show("Lantern night", self.player.items, (), (), None, ())
        source = ShowSource(depot(), self.player, [Playing() for _ in self.player.items])
        self.link = AudioLink(show, source, self.said.append)
        self.link._process = self.process  # type: ignore[assignment]
        monkeypatch.setattr(audio_link, "host_now", lambda: self.now_s)

    def ready(self) -> Bench:
        self.link.heard({"rate": 48_000.0, "device": "Depot"})
        return self

    def later(self, seconds: float) -> None:
        """Reports come meanwhile, if it is ready."""
        for _ in range(round(seconds * 10)):
            self.now_s = HostS(self.now_s + 0.1)
            if self.link._ready:
                stream_s = (self.now_s - 900) * DEVICE_RATE
                # "pace" is what newer processes add.
                report = {"at_s": self.now_s, "stream_s": stream_s, "pace": DEVICE_RATE}
                self.link.heard(report | {"underruns": 0})
            self.link.do(self.now_s, self.player.audio_wishes)

    def answers(self, wish: dict[str, Any]) -> None:
        stream_s = (wish["at_s"] - 900) * DEVICE_RATE
        self.link.heard(
            {"begins": wish["number"], "stream_s": stream_s, "position_s": wish["position_s"]}
        )


def test_what_is_asked_reaches_the_process_and_its_clock_plays_the_coils(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(monkeypatch).ready()
    bench.later(1.0)
    bench.player.go(bench.now_s)
    due_s = bench.now_s + 5.0
    bench.later(0.1)
    [wish] = bench.process.told
    assert wish == {"play": 0, "number": 1, "position_s": 0.0, "at_s": due_s}
    bench.answers(wish)
    assert bench.player.transport is Transport.PLAYING
    bench.later(6.0)
    # The device runs a little fast: four of its seconds are 0.4 ms less of the host's.
    looks = (HostS(due_s + i / 5) for i in range(30))
    found = [at_s for look_s in looks for at_s, m in bench.player.take(look_s) if m[1] == 62]
    assert found[0] == pytest.approx(due_s + 4.0 / DEVICE_RATE, abs=2e-5)
    bench.player.pause(bench.now_s)
    bench.later(0.1)
    assert bench.process.told[1:] == [{"stop": pytest.approx(bench.now_s, abs=0.11)}]


def test_a_wish_waits_until_the_process_has_loaded_its_files(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(monkeypatch)
    bench.player.go(bench.now_s)
    bench.later(3.0)
    assert bench.process.told == []
    assert bench.player.transport is Transport.COUNTDOWN
    bench.ready().later(0.1)
    assert [w["number"] for w in bench.process.told] == [1]


def test_an_answer_to_what_was_asked_before_does_not_place_the_coils(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Go, pause, go again before the first answer came."""
    bench = Bench(monkeypatch).ready()
    bench.player.go(bench.now_s)
    bench.player.pause(bench.now_s)
    bench.later(2.0)
    bench.player.go(bench.now_s)
    bench.later(0.1)
    first, _, second = bench.process.told
    bench.answers(first)
    assert bench.player.transport is Transport.COUNTDOWN
    bench.answers(second)
    assert bench.player.transport is Transport.PLAYING
    assert bench.player.position_s(HostS(second["at_s"])) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("how", ["missing", "ended"])
def test_a_lost_device_lets_the_countdown_run_on_and_is_said_once(
    monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    bench = Bench(monkeypatch).ready()
    bench.player.go(bench.now_s)
    due_s = bench.now_s + 5.0
    bench.later(1.0)
    if how == "missing":
        bench.link.heard({"missing": "pulled out"})
    bench.link.lost("its process ended (1)")
    assert [line for line in bench.said if "NONE" in line] == [bench.said[-1]]
    assert bench.player.transport is Transport.PLAYING
    assert bench.player.position_s(HostS(due_s)) == pytest.approx(0.0)
    bench.player.pause(bench.now_s)  # and from then on by this computer's clock
    bench.player.resume(bench.now_s, 3)
    bench.later(0.1)
    assert bench.player.transport is Transport.PLAYING
    assert bench.player.position_s(HostS(bench.now_s + START_S)) == pytest.approx(4.0, abs=1e-6)


@pytest.mark.parametrize(("ready", "within_s"), [(True, 5.0 + ANSWER_S), (False, LOAD_S)])
def test_a_process_that_hangs_is_ended_and_the_show_goes_on(
    monkeypatch: pytest.MonkeyPatch, ready: bool, within_s: float
) -> None:
    bench = Bench(monkeypatch)
    if ready:
        bench.ready()
    else:
        bench.link._answer_by_s = HostS(bench.now_s + LOAD_S)
    bench.player.go(bench.now_s)
    bench.later(within_s - 0.2)
    assert bench.player.transport is Transport.COUNTDOWN
    assert not bench.process.killed
    bench.later(0.5)
    assert bench.player.transport is Transport.PLAYING
    assert bench.process.killed, "or its audio might begin beside the coils"
    assert "it does not answer" in bench.said[-1]


def test_a_device_that_asks_for_nothing_any_more_is_lost_while_the_coils_go_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its server died. A computer that stood still itself looks once, and does not think so."""
    bench = Bench(monkeypatch).ready()
    bench.later(1.0)
    bench.player.go(bench.now_s)
    bench.later(0.1)
    bench.answers(bench.process.told[0])
    bench.later(6.0)
    bench.now_s = HostS(bench.now_s + 8.0)
    bench.link.do(bench.now_s, bench.player.audio_wishes)
    bench.later(0.1)
    assert not bench.link.missing
    for _ in range(QUIET_LOOKS + 1):
        bench.now_s = HostS(bench.now_s + 0.02)
        bench.link.do(bench.now_s, bench.player.audio_wishes)
    assert bench.process.killed
    assert "the device asks for nothing" in bench.said[-1]
    assert bench.player.transport is Transport.PLAYING


@pytest.mark.parametrize("on_trip", ["stop", "fade", "go on"])
@pytest.mark.parametrize("fault", ["none", "hangs", "dead"])
def test_a_trip_does_with_the_audio_what_the_item_says_whatever_became_of_its_process(
    monkeypatch: pytest.MonkeyPatch, on_trip: OnTrip, fault: str
) -> None:
    """The coils' place is kept at once and waits for none of it. A process that hangs cannot do
    as it is told: it is killed, so that its audio ends though nobody reads the stop."""
    bench = Bench(monkeypatch, replace(BACKED, on_trip=on_trip)).ready()
    bench.later(1.0)
    bench.player.go(bench.now_s)
    bench.later(0.1)
    bench.answers(bench.process.told[0])
    bench.later(5.0 + 5.0)  # the countdown, and into the third bar
    if fault == "dead":
        bench.link.lost("its process ended (-9)")
    told = len(bench.process.told)
    bench.link._source.darkened(bench.now_s, MusicS(bench.now_s))
    tripped_s = bench.now_s
    assert bench.player.transport is Transport.PAUSED
    assert bench.player.next_s() == math.inf
    bench.link.do(bench.now_s, bench.player.audio_wishes)
    wanted = [] if on_trip == "go on" or fault == "dead" else [{on_trip: tripped_s}]
    assert bench.process.told[told:] == wanted
    if fault == "hangs":
        for _ in range(QUIET_LOOKS + 1):
            bench.now_s = HostS(bench.now_s + 0.02)
            bench.link.do(bench.now_s, bench.player.audio_wishes)
    else:
        bench.later(3.0)
    assert bench.process.killed is (fault == "hangs")
    assert len([s for s in bench.said if s.startswith("audio: NONE")]) == (fault != "none")
    # Armed again: nothing has moved the place but the audio that went on.
    waited_s = bench.now_s - tripped_s
    bench.player.resume(bench.now_s, None)
    bench.later(0.1)
    begins_s = HostS(bench.now_s - 0.1 + START_S)
    if fault == "none" and on_trip == "go on":
        there_s = 5.1 + waited_s + START_S
        assert bench.player.position_s(begins_s) == pytest.approx(there_s, abs=0.01)
    elif fault == "none":
        assert bench.player.transport is Transport.COUNTDOWN
        assert bench.process.told[-1]["position_s"] == pytest.approx(4.0)
    else:  # by this computer's clock, from the begin of the bar
        assert len(bench.process.told) == told + len(wanted)
        assert bench.player.transport is Transport.PLAYING
        in_s = START_S + 1.5
        assert bench.player.position_s(HostS(bench.now_s + in_s)) == pytest.approx(5.5, abs=0.01)


def test_after_an_underrun_the_coils_go_with_what_is_played(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(monkeypatch).ready()
    bench.later(1.0)
    bench.player.go(bench.now_s)
    bench.later(0.1)
    bench.answers(bench.process.told[0])
    bench.later(6.0)
    before_s = bench.player.position_s(bench.now_s)
    bench.now_s = HostS(bench.now_s + 0.1)
    stream_s = (bench.now_s - 900) * DEVICE_RATE - 0.02  # two blocks were not played
    bench.link.heard({"at_s": bench.now_s, "stream_s": stream_s, "pace": 1.0, "underruns": 1})
    assert bench.player.position_s(bench.now_s) == pytest.approx(before_s + 0.08, abs=1e-4)
    assert "underrun 1" in bench.said[-1]


def test_what_the_first_report_after_an_underrun_was_late_the_next_puts_right(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Closed in as drift is, 10 ms would be heard for half a minute."""
    bench = Bench(monkeypatch).ready()
    bench.later(1.0)
    bench.player.go(bench.now_s)
    bench.later(0.1)
    bench.answers(bench.process.told[0])
    bench.later(6.0)
    before_s = bench.player.position_s(bench.now_s)
    for late_s in (0.01, 0.0):
        bench.now_s = HostS(bench.now_s + 0.1)
        stream_s = (bench.now_s - 900) * DEVICE_RATE - 0.02 - late_s
        words = {"at_s": bench.now_s, "stream_s": stream_s, "pace": DEVICE_RATE, "underruns": 1}
        bench.link.heard(words)
    assert bench.player.position_s(bench.now_s) == pytest.approx(before_s + 0.18, abs=1e-3)


# -- the desk -----------------------------------------------------------------------------------


class Deck:
    """A desk whose site is armed or not, as said."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, show: Show) -> None:
        self.now_s = HostS(500.0)
        self.said: list[str] = []
        self.interlock = SimpleNamespace(state=State.ARMED)
        for module in (perform, audio_link):
            monkeypatch.setattr(module, "host_now", lambda: self.now_s)
        self.desk = Desk(depot(), show)
        self.desk.operator = SimpleNamespace(  # type: ignore[assignment]
            say=self.said.append,
            service=SimpleNamespace(
                engine=SimpleNamespace(interlock=self.interlock), source_changed=lambda: None
            ),
        )


def show_of(*items: Item, audio: tuple[AudioFile, ...] = ()) -> Show:
    chase = Chase("keys", "mtc")
    playing = tuple(Playing(chase=chase if i.is_chased else None) for i in items)
    return Show("Lantern night", items, playing, audio, None, ())


PLAIN = Item("One", NOTES, countdown_s=2.0)


def test_the_operators_words(monkeypatch: pytest.MonkeyPatch) -> None:
    deck = Deck(monkeypatch, show_of(PLAIN, replace(PLAIN, name="Two")))
    desk, player = deck.desk, deck.desk.source.player
    deck.interlock.state = State.TRIPPED
    assert "armed first" in (desk.extra("g") or "")
    assert player.transport is Transport.READY
    deck.interlock.state = State.ARMED
    assert "item 1 of 2, One: countdown · bar 1" in (desk.extra("go") or "")
    assert desk.extra("g") == "it plays already"
    assert desk.extra("resume 9") == "there is no bar 9: the score has bars 1 to 3"
    assert desk.extra("resume three") == "'three' is no number"
    assert desk.extra("resume ²") == "'²' is no number"
    assert "paused" in (desk.extra("p") or "")
    assert "bar 3" in (desk.extra("resume 3") or "")
    assert "bar 3" in (desk.extra("p") or ""), "paused before it sounds, its place is kept"
    assert "item 2 of 2, Two: ready" in (desk.extra("n") or "")
    assert desk.extra("n") == "there is no item 3: the show has 2"
    assert "item 1 of 2" in (desk.extra("item 1") or "")
    assert desk.extra("item") is None
    assert desk.extra("disarm") is None


def test_a_chased_items_words(monkeypatch: pytest.MonkeyPatch) -> None:
    deck = Deck(monkeypatch, show_of(replace(PLAIN, is_chased=True)))
    assert "keys: stopped; the coils wait for go" in deck.desk.status()
    deck.desk.extra("g")
    assert "wait for go" not in deck.desk.status()
    assert deck.desk.extra("g") == "it plays already"
    assert "locate there" in (deck.desk.extra("resume 2") or "")
    deck.desk.extra("p")
    assert "the coils wait for go" in deck.desk.status()


async def plays_until_lost(desk: Desk, seconds: float) -> None:
    """From `g` on, until the audio is said to be missing."""
    operator: Any = desk.operator
    beside = asyncio.create_task(desk.beside(operator))
    desk.extra("g")
    async with asyncio.timeout(seconds):
        while not desk.audio.missing:  # noqa: ASYNC110  (it tells nobody)
            await asyncio.sleep(0.02)
    beside.cancel()
    await asyncio.gather(beside, return_exceptions=True)


@pytest.mark.parametrize("fault", ["no program", "no device"])
def test_without_audio_the_desk_lets_the_show_go_on(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Any, fault: str
) -> None:
    """By the real process, which finds no such device, or cannot even be started."""
    audio = (AudioFile(0, tmp_path / "lamps.wav", 1.0),)
    deck = Deck(
        monkeypatch, replace(show_of(BACKED, audio=audio), audio_device="none such at the depot")
    )
    if fault == "no program":
        monkeypatch.setattr(audio_link.sys, "executable", str(tmp_path / "gone"))
    desk, player = deck.desk, deck.desk.source.player

    asyncio.run(plays_until_lost(desk, 60))
    assert len([line for line in deck.said if line.startswith("audio: NONE")]) == 1
    assert player.transport is Transport.PLAYING
    assert player.position_s(deck.now_s) == pytest.approx(-5.0), "the countdown is counted out"


@pytest.mark.parametrize(
    ("script", "why"),
    [
        ("exit 3", r"its process ended \(3\)"),
        ("echo noise of a library; printf '{\"at_s'; kill -9 $$", r"its process ended \(-9\)"),
        ("""echo '{"missing": "pulled out"}'; exec cat > /dev/null""", "pulled out"),
    ],
)
def test_a_process_that_dies_at_any_word_is_said_once_by_its_cause(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Any, script: str, why: str
) -> None:
    """Between two lines, in one, or with a word; and the item that counts down goes on."""
    plays(monkeypatch, tmp_path, script)
    audio = (AudioFile(0, tmp_path / "lamps.wav", 1.0),)
    deck = Deck(monkeypatch, show_of(BACKED, audio=audio))
    desk, player = deck.desk, deck.desk.source.player

    asyncio.run(plays_until_lost(desk, 20))
    [line] = [line for line in deck.said if "NONE" in line]
    assert re.match(rf"audio: NONE \({why}\): the show runs on this computer's clock", line)
    assert player.transport is Transport.PLAYING
