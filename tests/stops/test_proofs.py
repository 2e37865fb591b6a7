"""For how long a proof counts: its day, its wiring, and a clock that was not set back."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from bridge.config import Config
from bridge.stops.proofs import NOTED_AFTER, SET_BACK, Kept, Proof, ProofStore, unproven
from bridge.stops.steps import StopStep, stop_steps
from tests.stops.rig import config
from tests.stops.test_prove import everything

CET = timezone(timedelta(hours=1))
EVENING = datetime(2026, 11, 25, 18, 0, tzinfo=CET)
MINUTE, DAY = timedelta(minutes=1), timedelta(days=1)


def proven(built: Config, at: datetime) -> ProofStore:
    """Every stop, one a minute up to `at`."""
    store, steps = ProofStore(built), stop_steps(built)
    for number, step in enumerate(steps):
        store.add(step, at - MINUTE * (len(steps) - 1 - number), 12.34)
    return store


def left(built: Config, store: ProofStore, now: datetime) -> tuple[str, ...]:
    return unproven(store.load(), stop_steps(built), now)


def names(built: Config) -> tuple[str, ...]:
    return tuple(s.name for s in stop_steps(built))


def test_a_proof_is_of_its_own_local_day_only(tmp_path: Path) -> None:
    built = config(tmp_path)
    assert left(built, ProofStore(built), EVENING) == names(built)
    store = proven(built, EVENING)
    assert left(built, store, EVENING) == ()
    assert left(built, store, EVENING.replace(hour=23, minute=59, second=59)) == ()
    midnight = (EVENING + DAY).replace(hour=0, minute=0)
    for later in (midnight, midnight + MINUTE, EVENING + DAY, EVENING + 365 * DAY):
        assert left(built, store, later) == names(built)
    assert left(built, store, EVENING - DAY) == names(built)


def test_one_old_proof_among_todays_is_found(tmp_path: Path) -> None:
    built = config(tmp_path)
    steps = stop_steps(built)
    store = ProofStore(built)
    store.add(steps[1], EVENING - DAY, 12.0)
    for step in (steps[0], *steps[2:]):
        store.add(step, EVENING, 12.0)
    assert left(built, store, EVENING + MINUTE) == (steps[1].name,)


def test_the_day_is_where_the_site_is() -> None:
    """Half past midnight in the yard; still yesterday in UTC."""
    steps = [StopStep("one", "", frozenset(), "")]
    utc = datetime(2026, 11, 24, 23, 30, tzinfo=UTC)
    kept = Kept(None, {"one": Proof(utc, "", 12.0)})
    assert unproven(kept, steps, EVENING) == ()
    assert unproven(kept, steps, EVENING - DAY) == ("one",)


def test_a_proof_of_later_than_now_is_none_whatever_else_the_file_says() -> None:
    steps = [StopStep("one", "", frozenset(), "")]
    kept = Kept(None, {"one": Proof(EVENING, "", 12.0)})
    assert unproven(kept, steps, EVENING - SET_BACK - MINUTE) == ("one",)
    assert unproven(kept, steps, EVENING) == ()


def test_a_clock_that_was_set_back_makes_no_yesterday_of_today(tmp_path: Path) -> None:
    built = config(tmp_path)
    store = proven(built, EVENING)
    morning = EVENING + timedelta(hours=15)
    kept = store.load()
    assert unproven(kept, stop_steps(built), morning) == names(built)
    store.note(kept, morning)  # as the daemon does whenever it looks
    for back in (EVENING, EVENING + MINUTE, morning - SET_BACK - MINUTE):
        assert left(built, store, back) == names(built)
    # On the same day, too: set back behind the proof itself.
    fresh = proven(config(tmp_path / "b"), EVENING)
    assert left(built, fresh, EVENING - SET_BACK / 2) == ()
    assert left(built, fresh, EVENING - SET_BACK - MINUTE) == names(built)


def test_a_proof_after_the_clock_was_set_back_counts_and_no_older_one(tmp_path: Path) -> None:
    built = config(tmp_path)
    store = proven(built, EVENING)
    back = EVENING - timedelta(hours=3)
    first = stop_steps(built)[0]
    store.add(first, back, 12.0)
    assert left(built, store, back + MINUTE) == names(built)[1:]
    assert left(built, store, EVENING + MINUTE) == names(built)[1:]


def test_the_time_is_kept_now_and_then_only(tmp_path: Path) -> None:
    built = config(tmp_path)
    store = proven(built, EVENING)
    written = store.path.stat().st_mtime_ns
    os.utime(store.path, ns=(0, 0))
    store.note(store.load(), EVENING + NOTED_AFTER)
    assert store.path.stat().st_mtime_ns == 0 != written
    store.note(store.load(), EVENING + NOTED_AFTER + MINUTE)
    assert store.load().latest == EVENING + NOTED_AFTER + MINUTE


@pytest.mark.parametrize(
    ("section", "change", "gone"),
    [
        ("controller", {"port": "/dev/other"}, ["North: emergency button", "North: key",
                                                "North: local stop"]),
        ("controller", {"board_id": "c0110002"}, ["North: emergency button", "North: key",
                                                  "North: local stop"]),
        ("stop", {"port": "/dev/other"}, ["stop Desk"]),
        ("input", {"stop_controller": 91}, ["input Organ", "dead man's switch"]),
        ("dead_man", {"latch_after_s": 9.0}, ["dead man's switch"]),
        ("mqtt", {"host": "broker.yard"}, ["MQTT"]),
        ("mqtt", {"meters_hz": 1.0}, []),
    ],
)  # fmt: skip
def test_a_proof_of_another_wiring_is_none(
    tmp_path: Path, section: str, change: dict[str, object], gone: list[str]
) -> None:
    built = everything(tmp_path)
    store = proven(built, EVENING)
    assert left(built, store, EVENING) == ()
    found = getattr(built, section)
    changed = (
        (found[0].model_copy(update=change), *found[1:])
        if isinstance(found, tuple)
        else found.model_copy(update=change)
    )
    other = built.model_copy(update={section: changed})
    expected = [n.replace("Organ", built.input[0].name) for n in gone]
    assert list(left(other, store, EVENING)) == expected


TIME = '"latest": "2026-11-25T18:00:00+01:00"'


@pytest.mark.parametrize(
    "text",
    [
        "", "{", "[]", '{"proofs": 3}', '{"proofs": {"a": {"date": 1}}}', "[" * 100_000,
        '{"version": 1, "proofs": {"North: key": {"date": "2026-11-25", "dark_after_ms": 1}}}',
        "{" + TIME + ', "proofs": []}',
        "{" + TIME + ', "proofs": {"North: key": {"at": "2026-11-25T18:00:00", "wiring": "",'
        ' "dark_after_ms": 1}}}',
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_proves_nothing(tmp_path: Path, text: str) -> None:
    built = config(tmp_path)
    store = ProofStore(built)
    store.path.write_text(text, encoding="utf-8")
    assert store.load() == Kept()
    assert left(built, store, EVENING) == names(built)
    step = stop_steps(built)[0]
    store.add(step, EVENING, 12.34)
    assert store.load().proofs == {step.name: Proof(EVENING, step.wiring, 12.3)}
