"""At a real mosquitto: a stop that is retained."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from bridge.engine import Act
from bridge.interlock import Cause, State
from tests.stops.rig import Running
from tests.telemetry.at_broker import OWN, SITE_STOP, Said, at_broker, with_mqtt
from tests.telemetry.broker import Broker, Person

pytestmark = pytest.mark.real


def test_a_retained_stop_stops_and_stands_against_arming_until_it_is_cleared(
    tmp_path: Path,
) -> None:
    with Broker(tmp_path) as broker:
        person = Person(broker.port)
        person.say(SITE_STOP, "x", retain=True)

        async def story(made: Running, said: Said) -> None:
            await made.tripped(Cause.NETWORK_STOP)
            await made.reset()
            made.service.act(Act.HUSH)
            await made.until(
                lambda: made.open_checks() == ["MQTT"], lambda: str(made.open_checks())
            )
            await asyncio.to_thread(person.say, SITE_STOP, "", retain=True)
            await made.until(lambda: made.open_checks() == [], lambda: str(made.open_checks()))
            assert made.state is State.LOCKED
            await made.arm()
            # Retained while we listen: known for what it is at once; an empty one that clears
            # nothing is a stop.
            await asyncio.to_thread(person.say, f"{OWN}/stop", "x", retain=True)
            await made.tripped(Cause.NETWORK_STOP)
            # Told after the stop, a turn of the loop later.
            await made.until(lambda: "MQTT" in made.open_checks(), "it stands against arming")
            await asyncio.to_thread(person.say, f"{OWN}/stop", "", retain=True)
            await made.until(lambda: "MQTT" not in made.open_checks(), "cleared")
            await made.reset()
            await made.arm()
            await asyncio.to_thread(person.say, SITE_STOP, "")
            await made.tripped(Cause.NETWORK_STOP)

        at_broker(with_mqtt(tmp_path, broker.port), story)
        person.leave()
