"""The search for a better routing gives candidates up early: that must change nothing it finds."""

from __future__ import annotations

import gc
import random
from typing import Any

import pytest

from bridge.config import Config, Route
from bridge.rehearse import command
from bridge.rehearse.account import Account, NoteStory
from bridge.rehearse.command import CANDIDATES, LEAST_GAIN, suggested
from bridge.rehearse.routing import Search, same_for, with_routes
from bridge.rehearse.run import lost_of, perform
from bridge.show.score_file import Score, ScoreEvent
from tests.chain.rig import coil, note_off, note_on, site

TIGHT = [{"window_ms": 1000, "max_percent": 4}, {"window_ms": 100, "max_percent": 6}]
CROWD = {"duty_windows": TIGHT, "max_voices": 2, "max_break_rate_hz": 400}


def busy(seed: int) -> Score:
    """Eight seconds of four channels, far too much of it: chords, pedals, drums, swells to nothing
    and back, endless notes."""
    rng = random.Random(seed)
    events: list[tuple[float, int, bytes]] = [
        (0.0, 0, bytes((0xC0, 16))),
        (0.0, 0, bytes((0xC1, 48))),
    ]
    for _ in range(90):
        at_s, channel = rng.uniform(0, 8), rng.choice((1, 1, 2, 3, 10))
        key = rng.choice((36, 38, 42)) if channel == 10 else rng.randint(20, 90)
        events.append((at_s, 2, note_on(key, rng.randint(20, 127), channel)))
        if rng.random() < 0.9:
            events.append((at_s + rng.choice((0.05, 0.4, 2.0)), 1, note_off(key, channel)))
    for _ in range(20):
        status, number = 0xB0 | rng.randrange(3), rng.choice((1, 7, 11, 64))
        events.append((rng.uniform(0, 8), 1, bytes((status, number, rng.choice((0, 60, 127))))))
    return Score([ScoreEvent(t, m) for t, _, m in sorted(events)], ticks_per_quarter=480)


def crowd(**music: Any) -> Config:
    coils = [coil(name, "North", i + 1, **CROWD) for i, name in enumerate(("Larkspur", "Foxglove"))]
    inputs = [{"name": "keys", "virtual_port": "Coilwarden", "max_note_s": 2}]
    return site(coils, inputs=inputs, music=music)


@pytest.mark.parametrize("seed", range(12))
def test_what_is_surely_lost_never_falls_and_is_never_more_than_is_lost(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[float] = []
    count = Account._count

    def watched(self: Account, story: NoteStory) -> None:
        count(self, story)
        seen.append(self.surely_lost)

    monkeypatch.setattr(Account, "_count", watched)
    account = perform(crowd(), busy(seed)).account
    assert account.lost > 5
    assert seen == sorted(seen)
    assert account.surely_lost <= account.lost
    assert account.surely_lost > 0.9 * account.lost  # or nothing would ever be given up


@pytest.mark.parametrize("seed", range(4))
def test_without_boards_the_same_is_lost(seed: int) -> None:
    config, score = crowd(), busy(seed)
    lost = perform(config, score).account.lost
    assert lost_of(config, score) == lost
    assert lost_of(config, score, enough_lost=lost + 0.25) == lost
    assert lost_of(config, score, enough_lost=lost) is None
    assert lost_of(config, score, enough_lost=1.0) is None


def test_garbage_is_collected_as_before_once_a_score_is_played() -> None:
    before = gc.get_threshold()
    perform(crowd(), busy(0))
    assert gc.get_threshold() == before
    with pytest.raises(TypeError):
        perform(crowd(), Score([ScoreEvent(0.5, None)], ticks_per_quarter=480))  # pyright: ignore[reportArgumentType]
    assert gc.get_threshold() == before


@pytest.mark.parametrize("seed", range(6))
def test_the_suggestion_is_that_of_rehearsing_every_candidate_whole(seed: int) -> None:
    routes = [
        {"channels": [1, 3], "coils": ["Larkspur"]},
        {"channels": [2, 10], "coils": ["Larkspur"]},
    ]
    config, score = crowd(routes=routes), busy(seed)
    performed = perform(config, score)
    found = suggested(config, score, performed, lambda name: lambda share: None)
    search, best = Search(config, score), None
    now = performed.account.lost
    for candidate in search.best(search.as_now(), most=CANDIDATES):
        then = perform(with_routes(config, search.routes(candidate)), score).account.lost
        if then <= now - LEAST_GAIN and (best is None or then < best[2]):
            best = search.routes(candidate), now, then
    assert found == best
    assert found is not None


def test_what_sounds_the_same_is_not_rehearsed_again(monkeypatch: pytest.MonkeyPatch) -> None:
    config, score = crowd(), busy(0)  # without routes, every channel is spread over all coils
    performed = perform(config, score)
    monkeypatch.setattr(Search, "best", lambda self, *_, **__: [(2,) * len(self.channels)])
    monkeypatch.setattr(command, "lost_of", lambda *_, **__: pytest.fail("rehearsed again"))
    assert suggested(config, score, performed, lambda name: lambda share: None) is None


L, F = "Larkspur", "Foxglove"


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ([([1, 2], [L], "all")], [([1], [L], "spread"), ([2], [L], "all")], True),
        ([([1, 2], [L], "all")], [([1], [L], "all"), ([2], [F], "all")], False),
        ([([1, 2], [L, F], "all")], [([1, 2], [L, F], "spread")], False),
        ([([1, 2], [L, F], "all")], [([1, 2], [F, L], "all")], False),
        # the chords of one route are dealt in turn, those of two each by itself
        ([([1, 2], [L, F], "spread")], [([1], [L, F], "spread"), ([2], [L, F], "spread")], False),
        ([([1, 2], [L, F], "spread")], [([1, 2, 5], [L, F], "spread")], True),
        ([([1, 2], [L], "all")], [([1], [L], "all")], False),
        ([([1, 2], [L], "all"), ([1], [F], "all")], [([1, 2], [L], "all")], True),
        ([], [(list(range(1, 17)), [L, F], "spread")], True),
        ([], [(list(range(1, 17)), [L, F], "all")], False),
    ],
)  # fmt: skip
def test_when_two_routings_are_one(one: Any, other: Any, same: bool) -> None:
    def routed(routes: Any) -> Config:
        made = tuple(Route(channels=c, coils=k, deal=d) for c, k, d in routes)
        return with_routes(crowd(), made)

    assert same_for((1, 2), routed(one), routed(other)) == same


def test_a_route_for_some_keys_alone_is_another() -> None:
    whole = with_routes(crowd(), (Route(channels=(1,), coils=(L,)),))
    low = with_routes(crowd(), (Route(channels=(1,), coils=(L,), highest_note=126),))
    dropped = with_routes(crowd(), (Route(channels=(1,), coils=(L,), outside="drop"),))
    assert not same_for((1,), whole, low)
    assert not same_for((1,), whole, dropped)
