"""A daemon that is killed: what the broker says for it, and what another shell is told."""

from __future__ import annotations

import re
import signal
from pathlib import Path

import pytest

from bridge.telemetry.schemas import GONE, StateSaid
from tests.end_to_end.rig import Program, Rig
from tests.telemetry.broker import Broker, Person

pytestmark = pytest.mark.real


def test_a_daemon_that_is_killed_leaves_its_last_will(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:
        person = Person(broker.port)
        rig = Rig(tmp_path)
        with rig.config.open("a", encoding="utf-8") as file:
            file.write(
                f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nbridge = "north-yard"\n'
                'site = "depot"\n'
            )
        without_midi = re.sub(r"(?ms)^\[\[input\]\].*?(?=^\[music\])", "",
                              rig.config.read_text(encoding="utf-8"))  # fmt: skip
        rig.config.write_text(without_midi, encoding="utf-8")
        with rig.board(), rig.daemon() as daemon:
            daemon.wait_for("MQTT: connected")
            person.wait_for(lambda: b'"locked"' in person.last("/state"), "state")
            answer = Program("stop", str(rig.config))
            assert answer.process.wait(40) == 0
            answer.end()
            assert any("tripped" in line for line in answer.lines), answer.lines
            daemon.signal(signal.SIGKILL)
            person.wait_for(lambda: b'"unknown"' in person.last("/state"), "last will")
            dead = Program("stop", str(rig.config))
            assert dead.process.wait(40) == 2
            dead.end()
            assert any("no daemon" in line for line in dead.errors), dead.errors
        will = StateSaid.model_validate_json(person.last("/state"))
        assert (will.online, will.caution) == (False, GONE)
        person.leave()
        late = Person(broker.port)  # retained: whoever comes later sees it too
        late.wait_for(lambda: b'"unknown"' in late.last("/state"), "retained will")
        late.leave()
