"""What waits for a broker that fails: said in order, with its own time, or counted."""

from __future__ import annotations

import asyncio
import json
from datetime import datetime, timedelta
from typing import Any, cast

import pytest

from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.interlock import Latch
from bridge.records import Remark
from bridge.telemetry.config_mqtt import Mqtt
from bridge.telemetry.messages import Speaker
from bridge.telemetry.speaking import EVENTS_A_TURN, local_time, speak
from bridge.telemetry.watcher import MOST_EVENTS, Telemetry


class Client:
    """Takes so many messages, then none."""

    def __init__(self, takes: int) -> None:
        self.takes = takes
        self.taken: list[tuple[str, dict[str, Any]]] = []

    async def publish(self, topic: str, payload: str, **more: Any) -> None:
        if len(self.taken) == self.takes:
            raise TimeoutError
        self.taken.append((topic.rsplit("/", 1)[1], json.loads(payload)))


def said(telemetry: Telemetry, takes: int) -> list[tuple[str, dict[str, Any]]]:
    """What a broker that takes so many is told before the daemon leaves, or before it fails."""
    client = Client(takes)
    speaker = Speaker(Mqtt(host="h", bridge="north-yard", site="depot"))

    async def main() -> None:
        await speak(cast(Any, client), speaker, telemetry.waiting, lambda: True)

    try:
        asyncio.run(main())
    except TimeoutError:
        assert len(client.taken) == takes
    return client.taken


@pytest.mark.parametrize("takes", [1, 2, 3, 7, MOST_EVENTS + 1])
def test_what_a_broker_did_not_take_is_said_to_the_next(takes: int) -> None:
    telemetry = Telemetry(Latch(), 0.0)
    for number in range(MOST_EVENTS + 9):
        telemetry.recorded(HostS(0.0), Remark("music", f"event {number}."))
    texts: list[str] = []
    missing = 0
    for broker in range(4):
        for topic, one in said(telemetry, takes if broker < 3 else 10_000):
            if topic == "events" and one["kind"] == "missing":
                missing += one["count"]
            elif topic == "events":
                texts.append(one["text"])
    assert [t.split("event ")[1] for t in texts] == [f"{n}." for n in range(MOST_EVENTS)]
    assert missing == 9
    telemetry.recorded(HostS(0.0), Remark("music", "event 1000."))
    kinds = [one.get("kind", topic) for topic, one in said(telemetry, 10_000)]
    assert kinds == ["state", "note", "state"]


def test_an_event_that_waited_keeps_the_time_at_which_it_happened() -> None:
    telemetry = Telemetry(Latch(), 0.0)
    telemetry.recorded(HostS(host_now() - 600.0), Remark("music", "long ago"))
    event = next(one for topic, one in said(telemetry, 99) if topic == "events")
    ago = datetime.now().astimezone() - datetime.fromisoformat(event["time"])
    assert timedelta(seconds=599) < ago < timedelta(seconds=660)


def test_a_time_is_local_with_its_offset() -> None:
    assert datetime.fromisoformat(local_time(host_now())).utcoffset() is not None


def test_what_waited_is_said_a_little_at_a_time_and_all_of_it_before_the_end() -> None:
    telemetry = Telemetry(Latch(), 0.0)
    for number in range(60):
        telemetry.recorded(HostS(0.0), Remark("music", f"event {number}."))
    client = Client(10_000)
    speaker = Speaker(Mqtt(host="h", bridge="north-yard", site="depot"))
    turns: list[int] = []

    def is_ending() -> bool:
        turns.append(sum(1 for topic, _ in client.taken if topic == "events"))
        return len(turns) == 6

    asyncio.run(speak(cast(Any, client), speaker, telemetry.waiting, is_ending))
    assert turns == [n * EVENTS_A_TURN for n in range(6)]
    assert sum(1 for topic, _ in client.taken if topic == "events") == 60
