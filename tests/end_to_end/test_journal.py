"""The daemon itself, killed while it is armed: its journal tells the night, and replays."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bridge.journal.writer import BATCH_S
from tests.end_to_end.rig import Program, Rig, status, wait_until

ROOT = Path(__file__).resolve().parents[2]


def journal(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "bridge", "journal", *(str(a) for a in arguments)]
    return subprocess.run(command, check=False, capture_output=True, text=True, cwd=ROOT)


@pytest.mark.real
def test_bangs_by_hand_of_a_daemon_killed_while_armed_are_recorded_and_replay(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path)
    with (
        rig.board() as board,
        Program("bang", str(rig.config), "Larkspur", "--plain", "--rate", "20") as daemon,
    ):
        rig.arm(board, daemon)
        daemon.say("longer")
        for number in range(3):
            daemon.say("fire")
            wait_until(
                lambda number=number: sum(x["pulses"] for x in status(daemon)["links"]) > number,
                "one bang",
            )
        seen = status(daemon)
        assert seen["journal"]["recording"] is True
        assert seen["journal"]["lost"] == 0
        time.sleep(4 * BATCH_S)
        daemon.signal(signal.SIGKILL)
        daemon.process.wait()
    (listed,) = json.loads(journal("list", rig.config, "--json").stdout)
    assert listed["site"] == "Depot yard"
    told = journal("show", rig.config)
    assert told.returncode == 0, told.stderr
    assert "arm, by terminal" in told.stdout
    assert told.stdout.count("by hand: fire") == 3
    same = journal("replay", rig.config, "--json")
    assert same.returncode == 0, same.stdout + same.stderr
    assert json.loads(same.stdout)["identical"] is True
    assert json.loads(same.stdout)["writes"] > 50
    report = journal("report", rig.config, "--json")
    data = json.loads(report.stdout)
    assert data["coils"]["Larkspur"]["counted_by_board"]["pulses"] == 3
    assert data["coils"]["Larkspur"]["pulses"] == 3
    assert data["read_to_the_end"] is True
