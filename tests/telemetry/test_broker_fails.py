"""A real mosquitto that dies in the show, or is flooded."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from bridge.interlock import Cause, State
from tests.stops.rig import Running
from tests.telemetry.at_broker import OWN, SITE_STOP, Said, at_broker, with_mqtt
from tests.telemetry.broker import Broker, Flood, Person

pytestmark = pytest.mark.real


def test_a_broker_that_is_killed_in_the_show_stops_nothing_and_is_found_again(
    tmp_path: Path,
) -> None:
    with Broker(tmp_path) as broker:

        async def story(made: Running, said: Said) -> None:
            broker.kill()
            await made.until(lambda: said.has("does not reach this site"), lambda: str(said))
            assert made.state is State.ARMED
            before = len(made.boards.pulses["Larkspur"])
            await made.until(lambda: len(made.boards.pulses["Larkspur"]) > before, "music")
            said.clear()
            await asyncio.to_thread(broker.start)
            await made.until(lambda: said.has("connected"), lambda: str(said))
            person = await asyncio.to_thread(Person, broker.port)
            await made.until(lambda: b'"armed"' in person.last("/state"), "said anew")
            await asyncio.to_thread(person.say, SITE_STOP, "x")
            await made.tripped(Cause.NETWORK_STOP)
            await asyncio.to_thread(person.leave)

        at_broker(with_mqtt(tmp_path, broker.port), story)


def test_ten_thousand_messages_a_second_beside_the_stop_topic_keep_no_stop_back(
    tmp_path: Path,
) -> None:
    with Broker(tmp_path, "max_queued_messages 1000") as broker:
        stopper = Person(broker.port)
        stopper._client.unsubscribe("coilwarden/#")  # pyright: ignore[reportPrivateUsage]
        flood = Flood(broker.port, [f"{OWN}/stops", f"{OWN}/stop/x", "coilwarden/depot/sto"], 1e4)

        async def story(made: Running, said: Said) -> None:
            await asyncio.sleep(1.0)
            assert made.state is State.ARMED
            assert flood.per_second() > 5000
            await asyncio.to_thread(stopper.say, SITE_STOP, "x")
            await made.tripped(Cause.NETWORK_STOP)

        try:
            at_broker(with_mqtt(tmp_path, broker.port), story)
        finally:
            flood.end()
        stopper.leave()


def test_a_flood_of_stops_is_one_trip_and_the_broker_is_left_alone(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:

        async def story(made: Running, said: Said) -> None:
            flood = Flood(broker.port, [SITE_STOP], 1e4)
            try:
                await made.tripped(Cause.NETWORK_STOP, timeout_s=5)
                await made.until(lambda: said.has("floods"), lambda: str(said))
            finally:
                await asyncio.to_thread(flood.end)
            trip = made.service.engine.interlock.current_trip
            assert trip is not None
            assert trip.number == 1

        at_broker(with_mqtt(tmp_path, broker.port), story)
