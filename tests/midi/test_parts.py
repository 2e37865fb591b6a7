"""Choosing a port, and the states a port goes through."""

from __future__ import annotations

import pytest

from bridge.midi.parts import PortState, Source, ambiguity, changes, matching

ABSENT, LISTENING, CONNECTED, LOST, UNWATCHED = PortState
A, B, NONE = frozenset({"a"}), frozenset({"b"}), frozenset[str]()


@pytest.mark.parametrize(
    ("state", "known", "peers", "steps"),
    [
        (ABSENT, NONE, NONE, [LISTENING]),
        (ABSENT, NONE, A, [CONNECTED]),
        (ABSENT, NONE, None, [UNWATCHED]),
        (UNWATCHED, NONE, None, []),
        (UNWATCHED, NONE, NONE, [LISTENING]),
        (LISTENING, NONE, NONE, []),
        (LISTENING, NONE, A, [CONNECTED]),
        (CONNECTED, A, A, []),
        (CONNECTED, A, A | B, []),
        (CONNECTED, A, NONE, [LOST]),
        (CONNECTED, A | B, A, [LOST, CONNECTED]),
        (CONNECTED, A, B, [LOST, CONNECTED]),
        (LOST, NONE, NONE, []),
        (LOST, NONE, A, [CONNECTED]),
        (LOST, NONE, None, [UNWATCHED]),
    ],
)
def test_the_states_a_port_goes_through(
    state: PortState,
    known: frozenset[str],
    peers: frozenset[str] | None,
    steps: list[PortState],
) -> None:
    assert changes(state, known, peers) == steps


def source(name: str, *aliases: str) -> Source:
    return Source(name, name, aliases)


def test_a_pattern_is_searched_in_names_and_aliases_upper_and_lower_case_alike() -> None:
    ports = [source("system:midi_capture_2", "USB KEYS in"), source("usb keys:1"), source("pad:1")]
    assert [s.name for s in matching(ports, "Usb.Keys", ())] == [
        "system:midi_capture_2",
        "usb keys:1",
    ]


def test_the_choice_does_not_depend_on_the_order_of_the_list() -> None:
    ports = [source("b:keys"), source("a:keys"), source("c:keys")]
    assert matching(ports, "keys", ()) == matching(ports[::-1], "keys", ())
    assert matching(ports, "keys", ())[0].name == "a:keys"


def test_our_own_clients_are_never_matched() -> None:
    ports = [source("Coilwarden DAW:keys"), source("Coilwarden DAW 2:keys")]
    assert [s.name for s in matching(ports, "keys", {"Coilwarden DAW"})] == [
        "Coilwarden DAW 2:keys"
    ]


def test_an_ambiguous_pattern_names_what_it_fits_and_what_is_used() -> None:
    found = [source("a:keys"), source("b:keys")]
    said = ambiguity(found, "keys")
    assert 'fits 2 ports: "a:keys", "b:keys"; using "a:keys"' in said
    assert ambiguity(found[:1], "keys") == ""
    assert ambiguity([], "keys") == ""
