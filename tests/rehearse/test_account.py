"""What the rehearsal says of notes, against scores so small that it can be told by hand."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import pytest

from bridge.config import Config, Route
from bridge.rehearse.advice import advice, further, sentence
from bridge.rehearse.chapters import chapters, routing_text, verdict
from bridge.rehearse.command import suggested
from bridge.rehearse.result import RehearsalResult, result_of
from bridge.rehearse.routing import Search, with_routes
from bridge.rehearse.run import Performed, perform
from bridge.report.page import page
from bridge.show.score_file import Score, ScoreEvent
from tests.chain.rig import coil, note_off, note_on, site

QUARTER_S = 0.5
ROOMY = [{"window_ms": 1000, "max_percent": 12}]
Played = tuple[float, float, int, int, int]
"""Beat from 0, beats, key, channel, velocity."""


def score(notes: Sequence[Played]) -> Score:
    """In 4/4 at 120, an organ on every channel, which neither swells nor decays."""
    events = [(0.0, 0, bytes((0xC0 | c - 1, 16))) for c in sorted({n[3] for n in notes})]
    for beat, beats, key, channel, velocity in notes:
        events.append((beat * QUARTER_S, 2, note_on(key, velocity, channel)))
        events.append(((beat + beats) * QUARTER_S, 1, note_off(key, channel)))
    ordered = sorted(events, key=lambda e: e[:2])
    return Score([ScoreEvent(t, m) for t, _, m in ordered], ticks_per_quarter=480)


def rehearsed(config: Config, notes: Sequence[Played]) -> tuple[RehearsalResult, Performed]:
    performed = perform(config, score(notes))
    return result_of(performed, "small.mid"), performed


def one(**changes: Any) -> Config:
    return site([coil("Larkspur", "North", 1, **({"duty_windows": ROOMY} | changes))])


def counts(result: RehearsalResult, name: str = "Larkspur") -> Mapping[str, int]:
    found = next(c for c in result.coils if c.name == name)
    return {k: getattr(found, k) for k in ("asked", "sounded", "shortened", "quietened", "dropped")}


def test_a_tune_that_fits_survives_whole() -> None:
    result, performed = rehearsed(one(), [(n, 0.9, 48 + n, 1, 80) for n in range(8)])
    assert counts(result) == {
        "asked": 8, "sounded": 8, "shortened": 0, "quietened": 0, "dropped": 0,
    }  # fmt: skip
    assert result.survives
    assert result.losses == ()
    assert performed.account.lost == 0
    # key 48 is 130.8 Hz (equal temperament); an organ's tail is short
    hz = [440 * 2 ** ((48 + n - 69) / 12) for n in range(8)]
    assert sum(0.45 * f for f in hz) - 8 <= result.coils[0].bangs <= sum(0.55 * f for f in hz)


def test_the_most_voices_asked_in_each_second() -> None:
    notes = [(0.0, 3.0, key, 1, 80) for key in (40, 45, 50)]  # 1.5 s, its tail within the second
    notes += [(6.0, 3.0, 52, 1, 80), (12.0, 1.0, 52, 1, 80), (12.0, 1.0, 57, 1, 80)]
    result, _ = rehearsed(one(), notes)
    assert result.voices["Larkspur"][:8] == [3, 3, 0, 1, 1, 0, 2, 0]


def test_more_voices_than_the_coil_has() -> None:
    """Bar 3: five notes at once on a coil that plays two."""
    notes = [(8.0, 3.0, key, 3, 90) for key in (40, 45, 50, 55, 60)]
    result, _ = rehearsed(one(max_voices=2), notes)
    assert counts(result) == {
        "asked": 5, "sounded": 2, "shortened": 0, "quietened": 0, "dropped": 3,
    }  # fmt: skip
    (loss,) = result.losses
    assert (loss.channel, loss.effect, loss.bars, loss.at_once) == (3, "dropped", "bar 3", 3)
    assert (loss.first.bar, loss.first.beat) == (3, 1.0)
    assert loss.first.seconds == pytest.approx(4.0, abs=0.001)
    said = sentence([loss], one(max_voices=2), result)
    assert said.startswith("channel 3, bar 3: 3 notes dropped on Larkspur")
    assert "3 voices more than Larkspur can play (2 at once): leave them out" in said


def test_a_stolen_note_is_shortened_and_one_in_its_release_is_not() -> None:
    first = [(0.0, 4.0, 50, 1, 90)]
    result, _ = rehearsed(one(max_voices=1), [*first, (1.0, 1.0, 62, 1, 90)])
    assert counts(result)["shortened"] == 1
    assert result.losses[0].first.seconds == pytest.approx(0.5, abs=0.001)
    result, _ = rehearsed(one(max_voices=1), [(0.0, 1.0, 50, 1, 90), (1.0, 1.0, 62, 1, 90)])
    assert counts(result)["shortened"] == 0
    assert result.survives


def test_the_break_rate_drops_with_its_numbers() -> None:
    """Two notes of 880 and 932 Hz on a coil of 1,200 pulses a second; after bar 2's first beat one
    of them ends, and the other comes back: it was shortened."""
    notes = [(4.0, 1.0, 81, 1, 90), (4.0, 4.0, 82, 1, 90)]
    config = one(max_break_rate_hz=1200)
    result, _ = rehearsed(config, notes)
    (loss,) = result.losses
    assert loss.limit == "break rate"
    assert loss.asked == pytest.approx(880 + 932.33, abs=0.1)
    assert loss.allowed is not None
    assert 1000 < loss.allowed < 1200
    assert "octave" in sentence([loss], config, result)
    assert counts(result)["dropped"] + counts(result)["shortened"] == 1


def test_duty_makes_notes_quieter_by_so_many_decibels() -> None:
    """Four loud notes where the window holds about half of what they ask: 1251 bangs a second."""
    config = one(duty_windows=[{"window_ms": 1000, "max_percent": 4}], min_on_time_us=20)
    notes = [(0.0, 6.0, key, 1, 127) for key in (57, 60, 64, 69)]
    result, performed = rehearsed(config, notes)
    found = counts(result)
    assert found["asked"] == found["sounded"] == found["quietened"] == 4
    assert not result.survives
    worst = max(s.loss_db for s in performed.account.stories)
    assert "duty in 1000 ms" in {loss.limit for loss in result.losses}
    assert max(loss.worst_db or 0 for loss in result.losses) == worst > 1
    assert result.coils[0].worst_duty_percent[1000] <= 4


def test_notes_struck_together_for_which_breakout_leaves_no_room_never_sound() -> None:
    """The same notes at 40 µs at least: 1251 · 40 µs are 5 % of 4. Nothing is told of a bang that
    there was none of: only 220 Hz and 440 Hz fired."""
    config = one(duty_windows=[{"window_ms": 1000, "max_percent": 4}])
    result, _ = rehearsed(config, [(0.0, 6.0, key, 1, 127) for key in (57, 60, 64, 69)])
    found = counts(result)
    assert (found["asked"], found["sounded"], found["dropped"]) == (4, 2, 2)
    assert result.coils[0].bangs == pytest.approx(3.0 * (220 + 440), abs=0.05 * 660)


def test_range_and_route() -> None:
    routes = [{"channels": [1], "coils": ["Larkspur"]}]
    config = site(
        [coil("Larkspur", "North", 1, duty_windows=ROOMY,
              notes={"lowest": 40, "highest": 60, "outside": "drop"})],
        music={"routes": [*routes, {"channels": [9], "coils": ["Larkspur"]}]},
    )  # fmt: skip
    notes = [(0.0, 1.0, 50, 1, 80), (1.0, 1.0, 70, 1, 80), (2.0, 1.0, 50, 2, 80)]
    result, _ = rehearsed(config, notes)
    assert counts(result)["dropped"] == 1
    assert result.losses[0].limit == "the coil's range"
    assert "plays notes 40 to 60" in sentence(result.losses[:1], config, result)
    assert [(c.channel, c.notes, c.nowhere) for c in result.channels] == [(1, 2, 0), (2, 1, 1)]
    assert result.unused_channels == (9,)
    said = " ".join(further(config, result))
    assert "channel 2: notes that sound nowhere: 1 × has no route to any coil; give it" in said
    assert not result.survives


def test_folded_notes_are_counted() -> None:
    config = one(notes={"lowest": 40, "highest": 60, "outside": "fold"})
    result, _ = rehearsed(config, [(0.0, 1.0, 72, 1, 80), (1.0, 1.0, 50, 1, 80)])
    assert result.coils[0].folded == 1
    assert result.survives  # it sounds, and the report says where


def two() -> Config:
    return site(
        [
            coil("Larkspur", "North", 1, duty_windows=ROOMY, max_voices=2),
            coil("Foxglove", "North", 2, duty_windows=ROOMY, max_voices=2),
        ],
        music={"routes": [{"channels": [1, 2], "coils": ["Larkspur"]}]},
    )


def test_a_better_routing_is_found_and_is_better_when_rehearsed() -> None:
    """Two channels of two notes, all on one coil of two voices: a coil each saves everything."""
    notes = [(float(b), 0.9, key, channel, 70) for b in range(6)
             for channel, key in ((1, 40), (1, 47), (2, 52), (2, 59))]  # fmt: skip
    config = two()
    result, performed = rehearsed(config, notes)
    assert performed.account.lost >= 10
    assert "move some to Foxglove" in sentence(result.losses[:1], config, result)
    search = Search(config, performed.score)
    assert search.as_now() == (0, 0)
    (best,) = search.best(search.as_now())
    assert search.lost(best) == 0 < search.lost(search.as_now())
    again = perform(with_routes(config, search.routes(best)), performed.score)
    assert again.account.lost == 0
    assert search.best(search.as_now()) == [best]
    pasted = tomllib.loads("\n".join(routing_text(search.routes(best))))
    assert tuple(Route.model_validate(r) for r in pasted["music"]["routes"]) == search.routes(best)


def test_one_cause_is_one_line_whichever_channels_it_befell() -> None:
    """Three channels of two notes on a coil of two voices; and the lines of another bar apart."""
    keys = ((1, 40), (1, 47), (2, 52), (2, 59), (3, 62), (3, 65))
    notes = [(float(b), 0.9, key, channel, 70) for b in (0, 1, 40) for channel, key in keys]
    config = one(max_voices=2)
    result, _ = rehearsed(config, notes)
    assert len({loss.channel for loss in result.losses}) >= 2
    said = advice(config, result)
    assert len(said) == 2, said
    assert said[0].startswith("channels ")
    assert "bar 1: " in said[0]
    assert "bar 11: " in said[1]
    lost = sum(loss.notes for loss in result.losses if loss.first.bar == 1)
    assert f"{lost} notes dropped" in said[0]


@pytest.mark.parametrize(
    ("foxglove", "there"),
    [
        ({}, ((3, 52), (3, 55))),  # its two voices are taken
        ({"notes": {"lowest": 60, "highest": 90, "outside": "fold"}}, ()),  # would sound elsewhere
        ({"max_break_rate_hz": 200, "min_on_time_us": 20}, ((3, 52),)),  # no room for the pitch
    ],
    ids=["voices", "range", "break rate"],
)
def test_nobody_is_told_to_move_a_voice_to_a_coil_that_loses_by_it(
    foxglove: dict[str, Any], there: Sequence[tuple[int, int]]
) -> None:
    routes = [{"channels": [1], "coils": ["Larkspur"]}, {"channels": [3], "coils": ["Foxglove"]}]
    config = site(
        [
            coil("Larkspur", "North", 1, duty_windows=ROOMY, max_voices=2),
            coil("Foxglove", "North", 2, **{"duty_windows": ROOMY, "max_voices": 2} | foxglove),
        ],
        music={"routes": routes},
    )
    notes = [(0.0, 3.0, key, channel, 70) for channel, key in
             [*((1, k) for k in (40, 43, 47, 50)), *there]]  # fmt: skip
    result, _ = rehearsed(config, notes)
    assert any(loss.coil == "Larkspur" for loss in result.losses)
    assert not any("Foxglove" in line and "move" in line for line in advice(config, result))


def test_the_best_of_three_by_rehearsal_is_suggested(monkeypatch: pytest.MonkeyPatch) -> None:
    """The reckoning is made to lie: what it calls best loses most. It is not suggested."""
    notes = [(float(b), 0.9, key, channel, 70) for b in range(4)
             for channel, key in ((1, 40), (1, 47), (2, 52), (2, 59))]  # fmt: skip
    config = two()
    performed = perform(config, score(notes))
    order = {(1, 1): 0.0, (0, 0): 0.1, (0, 1): 0.2}
    monkeypatch.setattr(Search, "lost", lambda self, a: order.get(a, 9.0))
    found = suggested(config, performed.score, performed, lambda name: lambda share: None)
    assert found is not None
    assert found[2] == 0 < found[1]
    assert {r.coils for r in found[0] if set(r.channels) & {1, 2}} == {("Larkspur",), ("Foxglove",)}


def test_with_many_channels_the_search_stays_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    config = site([coil(n, "North", i + 1, duty_windows=ROOMY) for i, n in
                   enumerate(("Larkspur", "Foxglove", "Bryony"))])  # fmt: skip
    notes = [(float(b), 0.9, 30 + 3 * c, c, 70) for b in range(4) for c in range(1, 16) if c != 10]
    search = Search(config, score(notes))
    looked = 0
    lost = search.lost

    def counted(assignment: tuple[int, ...]) -> float:
        nonlocal looked
        looked += 1
        return lost(assignment)

    monkeypatch.setattr(search, "lost", counted)
    (best,) = search.best(search.as_now())
    assert len(best) == 14
    assert looked < 3 * 6 * 14 * 5 + 10  # against 4^14 assignments
    assert lost(best) <= lost(search.as_now())


def test_the_report_says_it_all_and_that_silent_is_not_safe() -> None:
    config = one(max_voices=2)
    result, _ = rehearsed(config, [(8.0, 3.0, key, 3, 90) for key in (40, 45, 50, 55, 60)])
    assert verdict(result) == "Some music is lost: 3 notes dropped, 0 shortened, 0 quieter."
    text = page("Rehearsal", chapters(result, config, None))
    for wanted in ("3:1 (4.0 s)", "Silent is not safe to approach", "small.mid", "Nothing fired"):
        assert wanted in text
    assert "<script" not in text
    assert "http" not in text
