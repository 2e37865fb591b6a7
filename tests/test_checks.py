"""The arming list: each condition alone fails exactly its check, and nothing passes unseen."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from bridge.checks import (
    STATUS_FRESH_S,
    Check,
    ControllerFacts,
    cause_name,
    controller_checks,
    site_checks,
    state_name,
)
from firmware_protocol import messages as m
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import State as BoardState

BOARD = 0x7A31C002
READY_INPUTS = m.INPUT_ESTOP_A | m.INPUT_ESTOP_B | m.INPUT_KEY | 0x50  # outputs 1 and 3 ready
CEILINGS = m.Ceilings(800, 200, 2000, 240_000)
IDENTITY = m.Identity(
    version=m.VERSION, build=7, flash_crc=1, fuse_low=0, fuse_high=0, fuse_extended=0, lock_bits=0,
    board_id=BOARD, boot_id=5, reset_cause=0, tick_hz=m.TICK_HZ, outputs=4, slots=4,
    queue_frames=16, horn_ms=0, checks=m.CHECK_FUSES | m.CHECK_FLASH, digest=0,
    ceilings=(CEILINGS,) * 4,
)  # fmt: skip
STATUS = m.Status(
    now=0, state=BoardState.LOCKED, cause=0, trip_number=0, session=0, inputs=READY_INPUTS,
    proofs=0x03, bad_frames=0, line_errors=0, line_errors_in_bangs=0, breaks=0, stale_frames=0,
    late_frames=0, refused_frames=0, outputs=0, per_output=(),
)  # fmt: skip
GOOD = ControllerFacts(
    name="North rack", linked=True, link_problem="", identity=IDENTITY, expected_board_id=BOARD,
    setup_problem="", status=STATUS, status_age_s=0.05, clock_problem="", outputs=(0, 2),
    can_break=True,
)  # fmt: skip


def failed(facts: ControllerFacts) -> list[str]:
    return [c.name for c in controller_checks(facts) if not c.passed]


def with_status(**fields: int) -> ControllerFacts:
    return replace(GOOD, status=replace(STATUS, **fields))


def test_a_controller_in_order_passes_everything() -> None:
    checks = controller_checks(GOOD)
    assert [c for c in checks if not c.passed] == []
    assert [c.name.removeprefix("North rack: ") for c in checks] == [
        "link", "identity", "board self-test", "limits", "status", "state",
        "e-stop input A", "e-stop proof A", "e-stop input B", "e-stop proof B",
        "key", "local stop", "output 1", "output 3", "line", "clock",
    ]  # fmt: skip


# (what is wrong, the one check that fails, what it says it found)
ALONE: list[tuple[ControllerFacts, str, str]] = [
    (replace(GOOD, identity=replace(IDENTITY, board_id=BOARD + 1)), "identity", "7a31c003"),
    (replace(GOOD, identity=replace(IDENTITY, version=2)), "identity", "protocol 2"),
    (
        replace(GOOD, identity=replace(IDENTITY, checks=m.CHECK_FUSES)),
        "board self-test",
        "flash not in order",
    ),
    (
        replace(GOOD, identity=replace(IDENTITY, checks=m.CHECK_FLASH)),
        "board self-test",
        "fuses not in order",
    ),
    (
        replace(GOOD, identity=replace(IDENTITY, checks=0)),
        "board self-test",
        "fuses and flash not in order",
    ),
    (replace(GOOD, setup_problem="digest differs"), "limits", "digest differs"),
    (replace(GOOD, status_age_s=STATUS_FRESH_S), "status", "250 ms"),
    (replace(GOOD, status_age_s=math.inf), "status", "none yet that can be dated"),
    (replace(GOOD, status_age_s=math.nan), "status", "none yet that can be dated"),
    (with_status(state=BoardState.ARMED), "state", "armed"),
    (with_status(state=BoardState.WARNING), "state", "warning"),
    (with_status(state=9), "state", "state 9"),
    (
        with_status(state=BoardState.TRIPPED, cause=BoardCause.KEY_OFF),
        "state",
        "tripped by key off",
    ),
    (with_status(inputs=READY_INPUTS & ~m.INPUT_ESTOP_A), "e-stop input A", "open"),
    (with_status(inputs=READY_INPUTS & ~m.INPUT_ESTOP_B), "e-stop input B", "open"),
    (with_status(proofs=0x02), "e-stop proof A", "not seen open"),
    (with_status(proofs=0x01), "e-stop proof B", "not seen open"),
    (with_status(inputs=READY_INPUTS & ~m.INPUT_KEY), "key", "off"),
    (with_status(inputs=READY_INPUTS | m.INPUT_LOCAL_STOP), "local stop", "pressed"),
    (with_status(inputs=READY_INPUTS & ~0x10), "output 1", "not ready"),
    (with_status(inputs=READY_INPUTS & ~0x40), "output 3", "not ready"),
    (replace(GOOD, break_pending=True), "line", "held low"),
    (replace(GOOD, clock_problem="still measuring its rate"), "clock", "still measuring"),
]


@pytest.mark.parametrize(("facts", "name", "found"), ALONE)
def test_each_condition_alone_fails_exactly_its_check(
    facts: ControllerFacts, name: str, found: str
) -> None:
    bad = [c for c in controller_checks(facts) if not c.passed]
    assert [c.name for c in bad] == [f"North rack: {name}"]
    assert found in bad[0].found
    assert len(bad[0].remedy) > 10 or bad[0].remedy == "Release it."


def test_every_check_of_a_linked_controller_is_made_to_fail_above() -> None:
    tried = {f"North rack: {name}" for _, name, _ in ALONE} | {"North rack: link"}
    assert {c.name for c in controller_checks(GOOD)} == tried


def test_the_age_of_a_status_counts_up_to_its_edge() -> None:
    assert failed(replace(GOOD, status_age_s=math.nextafter(STATUS_FRESH_S, 0))) == []


@pytest.mark.parametrize("bit", [0x20, 0x80])
def test_outputs_without_a_coil_need_not_be_ready(bit: int) -> None:
    assert failed(with_status(inputs=READY_INPUTS & ~bit)) == []


@pytest.mark.parametrize(
    "facts",
    [
        replace(GOOD, linked=False),
        replace(GOOD, linked=False, link_problem="no such device"),
        replace(GOOD, identity=None),
        replace(GOOD, status=None),
        replace(GOOD, identity=None, status=None, status_age_s=math.inf),
    ],
)
def test_nothing_passes_before_the_controller_was_heard(facts: ControllerFacts) -> None:
    checks = controller_checks(facts)
    passed = [c.name for c in checks if c.passed]
    assert passed == (["North rack: link"] if facts.linked else [])
    (open_one,) = [c for c in checks if not c.passed]
    assert open_one.remedy
    if facts.link_problem:
        assert open_one.found == facts.link_problem


def test_swapped_cables_fail_on_both_controllers_and_say_so() -> None:
    """Each port leads to the other's board: neither may arm."""
    north = replace(GOOD, identity=replace(IDENTITY, board_id=0x7A31C003))
    south = replace(GOOD, name="South rack", expected_board_id=0x7A31C003)
    for facts, expected in ((north, "7a31c002"), (south, "7a31c003")):
        (check,) = [c for c in controller_checks(facts) if not c.passed]
        assert check.name == f"{facts.name}: identity"
        assert "cables swapped" in check.remedy
        assert expected in check.remedy


def test_a_failed_check_always_has_a_remedy() -> None:
    everything_wrong = replace(
        GOOD,
        identity=replace(IDENTITY, board_id=1, checks=0),
        setup_problem="x",
        status=replace(
            STATUS, state=BoardState.TRIPPED, cause=99, inputs=m.INPUT_LOCAL_STOP, proofs=0
        ),
        status_age_s=9.0,
        clock_problem="x",
        break_pending=True,
    )
    checks = controller_checks(everything_wrong)
    assert len([c for c in checks if not c.passed]) == len(checks) - 1  # all but the link
    assert all(c.remedy for c in checks if not c.passed)
    assert "tripped by cause 99" in [c.found for c in checks]


def test_what_an_operator_reads_makes_sense() -> None:
    """`name: found. remedy`: no name says the opposite of what was found."""
    everything = [c for facts, _, _ in ALONE for c in controller_checks(facts)]
    everything += site_checks(notes_held=True, latched=True)
    for check in everything:
        name = check.name.removeprefix("North rack: ")
        assert not name.startswith(("not ", "no ")), name
        assert not name.endswith((" closed", " proven", " ready")), name
        assert not check.found.endswith("."), check.found
        assert check.passed or check.remedy.endswith((".", "?")), check.remedy


@pytest.mark.parametrize(
    ("held", "latched", "name"),
    [(False, False, None), (True, False, "notes"), (False, True, "trip")],
)
def test_the_sites_own_conditions(held: bool, latched: bool, name: str | None) -> None:
    checks: list[Check] = site_checks(notes_held=held, latched=latched)
    bad = [c for c in checks if not c.passed]
    assert [c.name for c in bad] == ([] if name is None else [name])
    assert all(c.remedy for c in bad)


def test_unknown_numbers_are_shown_as_numbers() -> None:
    assert cause_name(200) == "cause 200"
    assert state_name(7) == "state 7"
    assert cause_name(BoardCause.ESTOP_OPEN) == "estop open"
