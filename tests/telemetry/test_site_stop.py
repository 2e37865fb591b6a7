"""Two daemons at one mosquitto: what stops one, and what stops both."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from bridge.interlock import Cause, State
from bridge.telemetry.attend import connect
from tests.stops.rig import Running
from tests.telemetry.at_broker import SITE_STOP, Said, at_broker, with_mqtt
from tests.telemetry.broker import Broker, Person

pytestmark = pytest.mark.real


def test_a_stop_on_the_sites_topic_trips_all_and_one_on_a_bridges_topic_that_one(
    tmp_path: Path,
) -> None:
    with Broker(tmp_path) as broker:
        person = Person(broker.port)

        async def story(north: Running, said: Said) -> None:
            south = Running(with_mqtt(tmp_path / "south", broker.port, bridge="south-yard"))
            assert south.config.mqtt is not None
            async with south.boards:
                running = asyncio.create_task(south.service.run())
                told = Said()
                link = connect(south.service, south.config.mqtt, told.append)
                try:
                    await south.boards.prove_estops()
                    await south.until(lambda: told.has("connected"), lambda: str(told))
                    await south.arm()
                    assert north.state is State.ARMED
                    own = "coilwarden/depot/bridge/south-yard/stop"
                    await asyncio.to_thread(person.say, own, "x")
                    await south.tripped(Cause.NETWORK_STOP)
                    await asyncio.sleep(0.2)
                    assert north.state is State.ARMED
                    await south.reset()
                    await south.arm()
                    await asyncio.to_thread(person.say, SITE_STOP, "x")
                    await asyncio.gather(
                        north.tripped(Cause.NETWORK_STOP), south.tripped(Cause.NETWORK_STOP)
                    )
                finally:
                    await asyncio.to_thread(link.close)
                    south.service.leave()
                    await running

        at_broker(with_mqtt(tmp_path, broker.port), story)
        person.leave()
