"""Where keys go: routes, ranges, and chords dealt over coils."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.music.events import Dropped, NoteDropped
from bridge.music.routing import fit_note
from tests.music.rig import Rig, make_config

BOTH = ("Larkspur", "Foxglove")


def two_coils(*routes: dict[str, Any], **settings: Any) -> Rig:
    return Rig(make_config(coils=BOTH, music={"routes": list(routes)}, **settings))


def test_without_routes_a_chord_is_spread_over_all_coils() -> None:
    rig = two_coils()
    for key in (60, 64, 67, 70):
        rig.on(key)
    assert rig.notes("Larkspur") == [60, 67]
    assert rig.notes("Foxglove") == [64, 70]


def test_deal_all_plays_every_note_on_every_coil_of_the_route() -> None:
    rig = two_coils({"coils": BOTH, "deal": "all"})
    rig.on(60)
    assert rig.notes("Larkspur") == rig.notes("Foxglove") == [60]
    rig.off(60)
    rig.wait(0.5)
    assert rig.asks("Larkspur") == rig.asks("Foxglove") == ()


def test_the_first_matching_route_wins() -> None:
    rig = two_coils(
        {"channels": [3], "lowest_note": 60, "coils": ["Foxglove"]},
        {"channels": [3, 4], "coils": ["Larkspur"]},
    )
    rig.on(60, channel=3)
    rig.on(59, channel=3)
    rig.on(65, channel=4)
    assert rig.notes("Foxglove") == [60]
    assert rig.notes("Larkspur") == [59, 65]


def test_a_key_without_route_is_ignored_and_reported() -> None:
    rig = two_coils({"channels": [1], "highest_note": 70, "coils": ["Foxglove"]})
    rig.on(60, channel=2)
    rig.on(71, channel=1)
    assert rig.asks("Foxglove") == ()
    events = rig.events(NoteDropped)
    assert [(e.channel, e.note, e.reason) for e in events] == [
        (2, 60, Dropped.NO_ROUTE),
        (1, 71, Dropped.NO_ROUTE),
    ]
    assert not any(e.error for e in events)


@pytest.mark.parametrize(
    ("note", "fitted"),
    [(48, 48), (71, 71), (72, 60), (84, 60), (83, 71), (95, 71), (47, 59), (36, 48), (0, 48)],
)
def test_folding_moves_by_octaves_to_the_nearest_inside(note: int, fitted: int) -> None:
    assert fit_note(note, 48, 71, "fold") == fitted


@pytest.mark.parametrize("note", range(-30, 160))
def test_folding_keeps_the_pitch_class_and_finds_every_note_in_an_octave(note: int) -> None:
    fitted = fit_note(note, 50, 61, "fold")
    assert isinstance(fitted, int)
    assert 50 <= fitted <= 61
    assert (fitted - note) % 12 == 0


def test_a_range_narrower_than_an_octave_cannot_fold_everything() -> None:
    assert fit_note(72, 60, 64, "fold") == 60
    assert fit_note(66, 60, 64, "fold") is Dropped.CANNOT_FOLD
    assert fit_note(55, 60, 64, "fold") is Dropped.CANNOT_FOLD


@pytest.mark.parametrize(
    ("outside", "reason", "error"),
    [("drop", Dropped.OUTSIDE, False), ("error", Dropped.OUTSIDE_ERROR, True)],
)
def test_notes_outside_are_dropped_or_an_error(outside: str, reason: Dropped, error: bool) -> None:
    rig = Rig(make_config(notes={"lowest": 48, "highest": 72, "outside": outside}))
    rig.on(73)
    rig.on(47)
    rig.on(72)
    rig.on(48)
    assert rig.notes() == [48, 72]
    events = rig.events(NoteDropped)
    assert [(e.note, e.coil, e.reason, e.error) for e in events] == [
        (73, "Larkspur", reason, error),
        (47, "Larkspur", reason, error),
    ]


def test_a_routes_rule_overrides_the_coils() -> None:
    narrow = {"lowest": 48, "highest": 72, "outside": "fold"}
    rig = two_coils(
        {"channels": [1], "coils": ["Larkspur"], "outside": "drop"},
        {"channels": [2], "coils": ["Larkspur"]},
        notes=narrow,
    )
    rig.on(84, channel=1)
    assert rig.asks() == ()
    rig.on(84, channel=2)
    assert rig.one().note == 72


def test_a_folded_note_names_the_note_it_became() -> None:
    rig = Rig(make_config(notes={"lowest": 48, "highest": 72, "outside": "fold"}))
    rig.on(85)
    assert rig.one().note == 61
    rig.off(85)
    rig.wait(0.5)
    assert rig.asks() == ()


# Spread


def test_a_new_note_goes_to_the_coil_with_the_fewest_voices() -> None:
    rig = two_coils({"coils": BOTH, "deal": "spread"})
    for key in (60, 62, 64):
        rig.on(key)
    rig.off(62)  # was alone on Foxglove
    rig.wait(0.5)
    rig.on(65)
    assert rig.notes("Foxglove") == [65]


def test_ties_go_round() -> None:
    rig = two_coils({"coils": BOTH, "deal": "spread"})
    dealt: list[str] = []
    for _ in range(4):
        rig.on(60)
        dealt += [name for name in BOTH if rig.asks(name)]
        rig.off(60)
        rig.wait(0.5)
    assert dealt == ["Larkspur", "Foxglove", "Larkspur", "Foxglove"]


def test_a_key_struck_again_goes_where_it_was() -> None:
    rig = two_coils({"coils": BOTH, "deal": "spread"})
    rig.on(60)
    rig.on(64)
    rig.on(64)
    rig.on(60)
    assert rig.notes("Larkspur") == [60]
    assert rig.notes("Foxglove") == [64]


def test_spread_prefers_a_coil_that_has_the_note_in_range() -> None:
    config = make_config(coils=BOTH, music={"routes": [{"coils": BOTH, "deal": "spread"}]})
    data = config.model_dump(mode="json")
    data["coil"][0]["notes"] = {"lowest": 36, "highest": 59, "outside": "fold"}
    data["coil"][1]["notes"] = {"lowest": 60, "highest": 84, "outside": "fold"}
    rig = Rig(type(config).model_validate(data))
    for key in (60, 62, 64):
        rig.on(key)
    assert rig.notes("Foxglove") == [60, 62, 64]
    assert rig.asks("Larkspur") == ()
    rig.on(50)
    assert rig.notes("Larkspur") == [50]


def test_spread_prefers_a_free_voice() -> None:
    config = make_config(coils=BOTH, music={"routes": [{"coils": BOTH, "deal": "spread"}]})
    data = config.model_dump(mode="json")
    data["coil"][0]["max_voices"] = 1
    rig = Rig(type(config).model_validate(data))
    for key in (60, 62, 64, 65, 67):
        rig.on(key)
    assert rig.notes("Larkspur") == [60]
    assert rig.notes("Foxglove") == [62, 64, 65, 67]


def test_every_coil_is_always_in_the_answer() -> None:
    rig = two_coils()
    assert rig.instrument.voices(0.0) == {"Larkspur": (), "Foxglove": ()}
