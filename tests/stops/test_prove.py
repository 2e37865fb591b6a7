"""Proving every stop: what counts, whose date, and the walk with real processes."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from bridge.config import Config
from bridge.interlock import Cause, Trip
from bridge.record_line import record_line
from bridge.records import StopProven
from bridge.stops.prove import MOST_MS, StopWalk, for_proof
from bridge.stops.steps import stop_steps
from tests.chain.rig import INPUT
from tests.end_to_end.rig import Program, Rig
from tests.stops.rig import config


def everything(folder: Path) -> Config:
    return config(
        folder,
        stop=[
            {"name": "Desk", "kind": "button_line", "port": "/dev/desk"},
            {"name": "Pad", "kind": "keypad", "port": "/dev/input/pad"},
        ],
        input=[
            {"name": INPUT, "virtual_port": "Coilwarden", "stop_controller": 90,
             "stop_note": {"channel": 16, "note": 0}}
        ],
        dead_man={"source": "midi_controller", "input": INPUT},
        mqtt={"host": "localhost", "bridge": "north-yard", "site": "depot"},
    )  # fmt: skip


def test_every_stop_of_the_site_is_on_the_list(tmp_path: Path) -> None:
    assert [s.name for s in stop_steps(everything(tmp_path))] == [
        "North: emergency button", "North: key", "North: local stop", "stop Desk", "stop Pad",
        f"input {INPUT}", "dead man's switch", "MQTT", "another shell", "terminal",
    ]  # fmt: skip


def test_what_a_trip_proves(tmp_path: Path) -> None:
    walk = StopWalk(stop_steps(everything(tmp_path)))

    def step(cause: Cause, origin: str = "", by: str = "") -> str:
        found = walk.fits(Trip(1, cause, origin), by)
        return found.name if found else ""

    assert step(Cause.ESTOP_OPEN, "North") == "North: emergency button"
    assert step(Cause.ESTOP_OPEN, "South") == ""
    assert step(Cause.ESTOP_DISAGREE, "North") == ""
    assert step(Cause.STOP_BUTTON, "Pad") == "stop Pad"
    assert step(Cause.STOP_INPUT_FAULT, "Pad") == ""
    assert step(Cause.MIDI_STOP, INPUT) == f"input {INPUT}"
    assert step(Cause.NETWORK_STOP, by="MQTT") == "MQTT"
    assert step(Cause.OPERATOR_STOP, by="terminal") == "terminal"
    assert step(Cause.OPERATOR_STOP, by="another shell") == "another shell"
    assert step(Cause.OPERATOR_STOP, by="panel") == ""
    assert step(Cause.HOST_STALLED) == ""


def test_dark_too_late_is_no_proof(tmp_path: Path) -> None:
    walk = StopWalk(stop_steps(config(tmp_path)))
    first = walk.left[0]
    assert "no proof" in walk.prove(first, MOST_MS + 1)
    assert walk.left[0] is first
    assert walk.prove(first, MOST_MS) == ""
    assert walk.left[0] is not first


def test_the_walk_itself_needs_no_proof(tmp_path: Path) -> None:
    built = config(tmp_path)
    wanting = built.model_copy(
        update={"site": built.site.model_copy(update={"require_todays_proof": True})}
    )
    assert not for_proof(wanting).site.require_todays_proof


def test_the_record_of_it_is_a_line() -> None:
    assert (
        record_line(StopProven("North: key", 31.4))
        == "proven: North: key, dark after 31 ms at most"
    )


@pytest.mark.real
def test_the_whole_walk_and_what_it_is_good_for(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    text = re.sub(
        r"(?ms)^\[\[input\]\].*?(?=^\[music\])", "", rig.config.read_text(encoding="utf-8")
    )
    text = text.replace('name = "Depot yard"', 'name = "Depot yard"\nrequire_todays_proof = true')
    rig.config.write_text(text, encoding="utf-8")

    def arm(daemon: Program) -> None:
        for _ in range(40):
            at = len(daemon.lines)
            daemon.say("arm")
            said = daemon.wait_for(" ", after=at)
            if "ARM?" in said:
                break
            time.sleep(0.2)
        time.sleep(0.45)
        daemon.say("confirm")
        daemon.wait_for("arming → armed", after=at)

    def reset(daemon: Program) -> None:
        begin = len(daemon.lines)
        for _ in range(40):
            at = len(daemon.lines)
            daemon.say("reset")
            daemon.wait_for(" ", after=at)
            time.sleep(0.15)
            if any("tripped → locked" in line for line in daemon.lines[begin:]):
                return
        raise AssertionError(daemon.lines[-20:])

    def prove(walk: Program, press: Callable[[], object], name: str) -> None:
        for _ in range(4):
            at = len(walk.lines)
            arm(walk)
            press()
            if "cause 40" not in walk.wait_for("armed → tripped", after=at):
                walk.wait_for(f"proven: {name}", after=at)
                return
            press()  # as it was; a computer that stalls trips, as it must: once more
            reset(walk)
        raise AssertionError(walk.lines[-20:])

    def shell() -> None:
        asked = Program("stop", str(rig.config))
        assert asked.process.wait(40) == 0
        asked.end()

    with rig.board() as board:
        board.say("prove")
        with Program("prove-stop", str(rig.config), "--plain") as walk:
            walk.wait_for("Mains OFF")
            for word, name in (("estop", "emergency button"), ("key", "key"), ("local", "local")):
                prove(walk, partial(board.say, word), f"Rack: {name}")
                board.say(word)
                reset(walk)
            prove(walk, shell, "another shell")
            reset(walk)
            # Not armed: a stop, but no proof.
            walk.say("stop")
            walk.wait_for("nothing was armed")
            reset(walk)
            prove(walk, partial(walk.say, "stop"), "terminal")
            walk.wait_for("every stop is proven today")
            walk.say("quit")
            assert walk.process.wait(40) == 0
        kept = json.loads(next(rig.state.glob("*.proofs.json")).read_text(encoding="utf-8"))
        assert len(kept["proofs"]) == 5
        assert all(0 < p["dark_after_ms"] <= MOST_MS for p in kept["proofs"].values())
        told = Program("journal", "show", str(rig.config))
        assert told.process.wait(40) == 0
        told.end()
        for name in kept["proofs"]:
            assert any(f"proven: {name}, dark after" in line for line in told.lines), told.lines
        with rig.daemon() as daemon:
            reset(daemon)
            arm(daemon)
            with rig.daemon() as second:
                assert second.process.wait(40) == 2
            shell()  # the first one's socket is still there
            daemon.say("quit")
            daemon.process.wait(40)
        next(rig.state.glob("*.proofs.json")).unlink()
        with rig.daemon() as daemon:
            daemon.wait_for("port open")
            at = len(daemon.lines)
            daemon.say("arm")
            daemon.wait_for("today's proof: missing for Rack: emergency button", after=at)
