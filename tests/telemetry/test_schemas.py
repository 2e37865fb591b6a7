"""MQTT without a broker: the documented keys, what a stop topic's message means, bounded places."""

from __future__ import annotations

import json
import re
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from pydantic import BaseModel

from bridge.clocks import HostS
from bridge.engine import Engine
from bridge.interlock import NOT_SAFE, Cause, Interlock, Latch, State, Trip
from bridge.records import LatchChanged, Remark
from bridge.telemetry import schemas
from bridge.telemetry.config_mqtt import Mqtt
from bridge.telemetry.credentials import CredentialsError, read_credentials
from bridge.telemetry.messages import Speaker
from bridge.telemetry.stop_topic import StopTopics, objection
from bridge.telemetry.topics import topics_of
from bridge.telemetry.watcher import MOST_EVENTS, Telemetry

TOPICS = (Path(schemas.__file__).parent / "TOPICS.md").read_text(encoding="utf-8")
CONFIG = Mqtt(host="broker", bridge="north-yard", site="depot")
STOP = topics_of(CONFIG).site_stop


MODELS = ["StateSaid", "TripSaid", "MetersSaid", "CoilMeters", "EventSaid", "StopWanted"]


@pytest.mark.parametrize("name", MODELS)
def test_the_documented_keys_are_the_models(name: str) -> None:
    model: type[BaseModel] = getattr(schemas, name)
    line = next(x for x in TOPICS.splitlines() if x.startswith(f"- `{name}`"))
    told = re.sub(r"\([^)]*\)", "", line.removeprefix(f"- `{name}`:"))
    assert re.findall(r"`(\w+)`", told) == list(model.model_fields)


def test_the_json_schemas_are_the_models() -> None:
    file = Path(schemas.__file__).parent / f"schemas_v{schemas.SCHEMA_VERSION}.json"
    assert json.loads(file.read_text(encoding="utf-8")) == schemas.json_schemas()
    assert file.name in TOPICS


def test_every_topic_is_documented() -> None:
    documented = set(re.findall(r"(?m)^\| `([^`]+)`", TOPICS))
    topics = topics_of(Mqtt(host="h", bridge="b", site="s"))
    own = {topics.state, topics.meters, topics.events, *topics.stops}
    assert {t.replace("/s/", "/SITE/").replace("/b/", "/BRIDGE/") for t in own} == documented


def test_the_last_will_is_the_documented_one() -> None:
    will = Speaker(CONFIG).last_will()
    assert will.retain
    assert "".join(x.strip() for x in re.findall(r"(?m)^    (.*)$", TOPICS)) == will.payload
    assert "not known to be silent" in will.payload
    assert "not safe to approach" in will.payload


def test_nobody_but_an_armed_daemon_says_no_caution() -> None:
    speaker = Speaker(CONFIG)
    for state in State:
        trip = Trip(1, Cause.KEY_OFF, "North") if state is State.TRIPPED else None
        for online in (True, False):
            said = schemas.StateSaid.model_validate_json(
                speaker.state(Latch(state, trip, 1), "now", online=online).payload
            )
            is_armed = state is State.ARMED and online
            assert said.caution == ("" if is_armed else NOT_SAFE)


@pytest.mark.parametrize(
    "payload", [b"{}", b"\xff\xfe", b"0", b'{"by": 3}', b'{"by":"' + b"x" * 99]
)
@pytest.mark.parametrize("retain", [False, True])
def test_whatever_is_sent_to_a_stop_topic_stops(payload: bytes, retain: bool) -> None:
    assert StopTopics().message(STOP, payload, retain).stops


def test_a_long_payload_stops_and_is_not_looked_into(monkeypatch: pytest.MonkeyPatch) -> None:
    """A parser would hold the interpreter for as long as it takes."""

    def read(payload: bytes) -> schemas.StopWanted:
        raise AssertionError(f"{len(payload)} bytes were read")

    monkeypatch.setattr(schemas.StopWanted, "model_validate_json", read)
    assert StopTopics().message(STOP, b'{"by": "gate"}' + b" " * 1000, False).stops


def test_only_an_empty_message_that_clears_a_retained_stop_stops_not() -> None:
    topics = StopTopics()
    assert topics.message(STOP, b"", False).stops
    assert topics.message(STOP, b"x", True).retained == (STOP,)
    other = topics_of(CONFIG).stop
    assert topics.message(other, b"", True).stops
    cleared = topics.message(STOP, b"", True)
    assert (cleared.stops, cleared.retained) == (False, ())
    assert topics.message(STOP, b"", True).stops
    assert objection(()) == ("", "")
    assert STOP in objection((STOP,))[1]


def test_the_name_of_who_stopped_is_kept_short_and_printable() -> None:
    detail = StopTopics().message(STOP, b'{"by": "gate\\u001b[2J"}', False).detail
    assert detail == f"MQTT {STOP}, by gate[2J"


@pytest.mark.parametrize(("meters_hz", "said"), [(0.0, 0), (0.5, 5), (2.0, 20), (10.0, 100)])
def test_meters_are_said_as_often_as_the_site_file_wants(meters_hz: float, said: int) -> None:
    watcher = Telemetry(Latch(), meters_hz)
    engine, count = SimpleNamespace(lines={}), 0
    for tick in range(2000):  # ten seconds, looked at every 5 ms
        watcher.settled(HostS(tick * 0.005), cast(Engine, engine))
        count += watcher.waiting.meters is not None
        watcher.waiting.meters = None
    assert count == pytest.approx(said, abs=2 if said else 0)


def test_events_beyond_the_bound_are_counted_and_the_state_is_not_lost() -> None:
    watcher = Telemetry(Latch(), 2.0)
    for number in range(MOST_EVENTS + 44):
        watcher.recorded(HostS(0.0), Remark("music", str(number)))
    interlock = Interlock()
    interlock.trip(Cause.OPERATOR_STOP, "")
    watcher.recorded(HostS(0.0), LatchChanged(interlock.latch))
    assert len(watcher.waiting.events) == MOST_EVENTS
    assert watcher.waiting.lost == 44
    assert watcher.waiting.latch.state is State.TRIPPED


def test_credentials_that_others_can_read_are_refused_and_never_shown(tmp_path: Path) -> None:
    file = tmp_path / "credentials"
    file.write_text("north-yard\nhush-hush\n", encoding="utf-8")
    file.chmod(0o640)
    with pytest.raises(CredentialsError, match="chmod 600"):
        read_credentials(file)
    file.chmod(0o600)
    assert read_credentials(file) == ("north-yard", "hush-hush")
    file.write_text("hush-hush\n", encoding="utf-8")
    with pytest.raises(CredentialsError) as raised:
        read_credentials(file)
    assert "hush" not in str(raised.value)
