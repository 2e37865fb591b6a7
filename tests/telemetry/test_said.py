"""At a real mosquitto: what is said, and that nothing but a stop is heard."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from bridge.interlock import NOT_SAFE, Cause, State
from bridge.telemetry.schemas import EventSaid, MetersSaid, StateSaid
from tests.stops.rig import Running
from tests.telemetry.at_broker import OWN, SITE_STOP, Said, at_broker, with_mqtt
from tests.telemetry.broker import Broker, Person

pytestmark = pytest.mark.real


@pytest.mark.parametrize(
    ("topic", "payload"),
    [(f"{OWN}/stop", '{"schema_version": 1, "by": "gate"}'), (SITE_STOP, "not even JSON")],
)
def test_state_meters_and_events_are_said_and_either_stop_topic_stops(
    tmp_path: Path, topic: str, payload: str
) -> None:
    with Broker(tmp_path) as broker:
        person = Person(broker.port)

        async def story(made: Running, said: Said) -> None:
            await made.until(lambda: b'"armed"' in person.last("/state"), "armed")
            state = StateSaid.model_validate_json(person.last("/state"))
            assert (state.online, state.caution) == (True, "")
            await made.until(
                lambda: (
                    person.last("/meters")
                    and MetersSaid.model_validate_json(person.last("/meters"))
                    .coils["Larkspur"]
                    .voices
                ),
                "meters of a note",
            )
            await asyncio.to_thread(person.say, topic, payload)
            await made.tripped(Cause.NETWORK_STOP)
            await made.until(lambda: b'"tripped"' in person.last("/state"), "tripped")
            state = StateSaid.model_validate_json(person.last("/state"))
            assert state.caution == NOT_SAFE
            assert state.trip is not None
            assert state.trip.cause == 34

            def trips() -> list[EventSaid]:
                events = [
                    EventSaid.model_validate_json(p) for t, p, _ in person.heard if "/ev" in t
                ]
                return [e for e in events if e.kind == "trip"]

            await made.until(trips, "the event")
            assert topic in trips()[0].text

        at_broker(with_mqtt(tmp_path, broker.port), story)
        # Told to the broker before the link closed; it reaches this listener a little later.
        person.wait_for(
            lambda: not StateSaid.model_validate_json(person.last("/state")).online, "it left"
        )
        person.leave()


def test_nothing_else_that_is_said_does_anything(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:
        person = Person(broker.port)

        async def story(made: Running, said: Said) -> None:
            for word in ("arm", "reset", "play", "limits", "hush", "state", "meters", "events"):
                for place in (OWN, "coilwarden/depot", "coilwarden"):
                    topic = f"{place}/{word}"
                    await asyncio.to_thread(person.say, topic, '{"arm": true, "stop": false}')
            await asyncio.to_thread(person.say, f"{OWN}/stop/reset", "x")
            await asyncio.sleep(0.3)
            assert made.state is State.ARMED
            await asyncio.to_thread(person.say, SITE_STOP, '{"arm": true}')
            await made.tripped(Cause.NETWORK_STOP)
            for word in ("arm", "reset"):
                await asyncio.to_thread(person.say, f"{OWN}/{word}", "x")
            await asyncio.to_thread(person.say, f"{OWN}/stop", '{"reset": true}')
            await asyncio.sleep(0.3)
            assert made.state is State.TRIPPED

        at_broker(with_mqtt(tmp_path, broker.port), story)
        person.leave()
