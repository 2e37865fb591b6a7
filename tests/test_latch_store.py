"""The latch on disk: atomic, exact, and a trip whenever it cannot be trusted."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from bridge.config import Config
from bridge.interlock import Cause, Interlock, Latch, State, Trip
from bridge.latch_store import LatchStore, state_directory
from tests.site_text import site

TRIPPED = Latch(
    State.TRIPPED,
    Trip(
        3,
        Cause.ESTOP_OPEN,
        "North rack",
        "controller's trip 9",
        ((Cause.CONTROLLER_LOST, "South rack"), (Cause.OPERATOR_STOP, "")),
    ),
    3,
)
LATCHES = [
    Latch(),
    Latch(State.LOCKED, None, 12),
    Latch(State.ARMING, None, 1),
    Latch(State.ARMED, None, 0),
    TRIPPED,
]


def store_in(directory: Path, name: str = "Depot") -> LatchStore:
    swaps = ('name = "Depot"', f'name = "{name}"\nstate_directory = "{directory}"')
    return LatchStore(site(swaps))


def lawful() -> dict[str, Any]:
    """What `save` writes for TRIPPED, by hand."""
    return {
        "state": "tripped",
        "trips": 3,
        "trip": {
            "number": 3,
            "cause": 1,
            "origin": "North rack",
            "detail": "controller's trip 9",
            "later": [[36, "South rack"], [32, ""]],
        },
    }


def assert_unreadable(store: LatchStore) -> None:
    latch = store.load()
    assert latch.state is State.TRIPPED
    assert latch.trip is not None
    assert latch.trip.cause is Cause.LATCH_UNREADABLE
    assert latch.trip.detail
    assert not Interlock(latch).may_fire


@pytest.mark.parametrize("latch", LATCHES)
def test_a_latch_comes_back_as_it_was_saved(tmp_path: Path, latch: Latch) -> None:
    store_in(tmp_path).save(latch)
    assert store_in(tmp_path).load() == latch


def test_the_file_is_what_this_test_says(tmp_path: Path) -> None:
    store = store_in(tmp_path)
    store.save(TRIPPED)
    assert json.loads(store.path.read_text()) == lawful()


def test_a_site_that_never_ran_is_locked(tmp_path: Path) -> None:
    assert store_in(tmp_path / "not" / "there").load() == Latch()


def test_saving_makes_the_directory_and_leaves_one_file(tmp_path: Path) -> None:
    store = store_in(tmp_path / "a" / "b")
    for latch in LATCHES:
        store.save(latch)
    assert list(store.path.parent.iterdir()) == [store.path]


@pytest.mark.parametrize("state", [State.ARMING, State.ARMED])
def test_a_site_killed_while_armed_comes_back_tripped(tmp_path: Path, state: State) -> None:
    store_in(tmp_path).save(Latch(state, None, 2))
    interlock = Interlock(store_in(tmp_path).load())
    assert interlock.state is State.TRIPPED
    assert interlock.current_trip is not None
    assert interlock.current_trip.cause is Cause.HOST_RESTARTED
    assert interlock.current_trip.number == 3


def test_every_truncation_of_a_file_is_a_trip(tmp_path: Path) -> None:
    store = store_in(tmp_path)
    store.save(TRIPPED)
    whole = store.path.read_bytes()
    for length in range(len(whole)):
        store.path.write_bytes(whole[:length])
        assert_unreadable(store)


@pytest.mark.parametrize(
    "garbage",
    [b"", b"\x00" * 200, b"\xff\xfe{}", b"null", b"3", b"[]", b'"tripped"', b"{}", b"NaN",
     b"[" * 100_000, b'{"state": "locked"}',
     b'{"state": "locked", "trips": -1, "trip": null}',
     b'{"state": "locked", "trips": 1e400, "trip": null}',
     b'{"state": "locked", "trips": Infinity, "trip": null}'],
)  # fmt: skip
def test_garbage_is_a_trip(tmp_path: Path, garbage: bytes) -> None:
    store = store_in(tmp_path)
    store.path.write_bytes(garbage)
    assert_unreadable(store)


@pytest.mark.parametrize(
    "change",
    [
        {"state": "open"}, {"state": None}, {"state": 3}, {"state": ["locked"]},
        {"state": "locked"}, {"state": "armed"}, {"state": "arming"},  # none goes with a trip
        {"trips": "3"}, {"trips": 3.0}, {"trips": True}, {"trips": None}, {"trips": -1},
        {"trips": 2}, {"trips": 4},
        {"trip": None}, {"trip": []}, {"trip": {}}, {"trip": 1}, {"extra": 1},
    ],
)  # fmt: skip
def test_a_wrong_field_is_a_trip(tmp_path: Path, change: dict[str, Any]) -> None:
    store = store_in(tmp_path)
    store.path.write_text(json.dumps(lawful()))
    assert store.load() == TRIPPED
    store.path.write_text(json.dumps(lawful() | change))
    assert_unreadable(store)


@pytest.mark.parametrize(
    "change",
    [
        {"cause": 0}, {"cause": 31}, {"cause": 999}, {"cause": "1"}, {"cause": True},
        {"cause": 1.0}, {"cause": None}, {"number": "3"}, {"number": 2}, {"number": None},
        {"origin": 3}, {"origin": None}, {"detail": None}, {"detail": []},
        {"later": None}, {"later": {}}, {"later": "x"}, {"later": [1]}, {"later": [[1]]},
        {"later": [[1, "a", 2]]}, {"later": [[999, "a"]]}, {"later": [["1", "a"]]},
        {"later": [[1, 2]]}, {"later": [[1, "a"]] * 17}, {"extra": 1},
    ],
)  # fmt: skip
def test_a_wrong_trip_is_a_trip(tmp_path: Path, change: dict[str, Any]) -> None:
    data = lawful()
    store = store_in(tmp_path)
    store.path.write_text(json.dumps(data | {"trip": data["trip"] | change}))
    assert_unreadable(store)


def test_a_directory_in_its_place_is_a_trip(tmp_path: Path) -> None:
    store = store_in(tmp_path)
    store.path.mkdir()
    assert_unreadable(store)


def test_a_file_that_may_not_be_read_is_a_trip(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> str:
        raise PermissionError(13, "Permission denied")

    store = store_in(tmp_path)
    store.save(Latch())
    monkeypatch.setattr(Path, "read_text", refuse)  # the tests may run as root
    assert_unreadable(store)


class KilledHereError(Exception):
    """Stands for a kill at this very place."""


@pytest.mark.parametrize("place", ["open", "fsync", "replace"])
def test_a_kill_before_the_replacement_leaves_the_old_latch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    store = store_in(tmp_path)
    store.save(TRIPPED)

    def killed(*_: object, **__: object) -> int:
        raise KilledHereError

    with monkeypatch.context() as patch:
        patch.setattr(os, place, killed)
        with pytest.raises(KilledHereError):
            store.save(Latch())
    assert store_in(tmp_path).load() == TRIPPED
    store.save(Latch(State.LOCKED, None, 3))
    assert store.load() == Latch(State.LOCKED, None, 3)


def test_the_data_is_on_the_disk_before_it_replaces_the_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = store_in(tmp_path)
    store.save(TRIPPED)
    steps: list[str] = []
    real_fsync, real_replace = os.fsync, os.replace

    def fsync(descriptor: int) -> None:
        size = os.fstat(descriptor).st_size
        name = os.readlink(f"/proc/self/fd/{descriptor}")
        steps.append(f"sync {'directory' if os.path.isdir(name) else size > 20}")
        real_fsync(descriptor)

    def replace(old: Path, new: Path) -> None:
        steps.append("replace")
        assert store.load() == TRIPPED
        real_replace(old, new)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", replace)
    store.save(Latch())
    assert steps == ["sync True", "replace", "sync directory"]


def test_an_old_half_written_file_is_neither_read_nor_in_the_way(tmp_path: Path) -> None:
    store = store_in(tmp_path)
    store.save(TRIPPED)
    store.path.with_suffix(".new").write_text('{"state": "locked", "trips"')
    assert store.load() == TRIPPED
    store.save(Latch())
    assert store.load() == Latch()


def test_a_directory_that_cannot_be_written_is_an_os_error(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    store = store_in(blocked / "state")
    with pytest.raises(OSError, match="file"):
        store.save(TRIPPED)
    assert_unreadable(store)


def test_a_full_disk_is_an_os_error_and_leaves_the_old_latch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = store_in(tmp_path)
    store.save(TRIPPED)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        store.save(Latch())
    assert store.load() == TRIPPED


def test_a_system_that_cannot_sync_directories_still_saves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.fsync

    def only_files(descriptor: int) -> None:
        if os.path.isdir(os.readlink(f"/proc/self/fd/{descriptor}")):
            raise OSError(22, "Invalid argument")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", only_files)
    store_in(tmp_path).save(TRIPPED)
    assert store_in(tmp_path).load() == TRIPPED


def test_two_sites_never_share_a_file(tmp_path: Path) -> None:
    names = ["Depot", "depot", "Depot.", "Dépôt", "Dêpôt", "車庫", "工場"]
    assert len({store_in(tmp_path, n).path for n in names}) == len(names)


def test_the_state_directory_follows_the_configuration_then_the_user(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def where(*swaps: tuple[str, str]) -> Path:
        config: Config = site(*swaps)
        return state_directory(config)

    assert where(('name = "Depot"', 'name = "Depot"\nstate_directory = "/s"')) == Path("/s")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))  # XDG Base Directory Specification 0.8
    assert where() == tmp_path / "coilwarden"
    monkeypatch.delenv("XDG_STATE_HOME")
    monkeypatch.setenv("HOME", "/home/op")
    assert where() == Path("/home/op/.local/state/coilwarden")
