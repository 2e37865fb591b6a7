"""MQTT beside a running service. Imported only where the site file has [mqtt]."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from bridge.interlock import Cause
from bridge.service import Service
from bridge.telemetry.config_mqtt import Mqtt
from bridge.telemetry.link import MqttLink
from bridge.telemetry.stop_topic import objection
from bridge.telemetry.watcher import Telemetry


def connect(service: Service, config: Mqtt, say: Callable[[str], None]) -> MqttLink:
    """Begins to be connected. Raises CredentialsError for files that cannot be used."""
    watcher = Telemetry(service.engine.interlock.latch, config.meters_hz)

    def stop(detail: str) -> None:
        service.stop(Cause.NETWORK_STOP, detail, "MQTT")

    def retained(topics: tuple[str, ...]) -> None:
        service.object_to_arming("MQTT", *objection(topics))

    link = MqttLink(
        config,
        watcher.waiting,
        call_soon=asyncio.get_running_loop().call_soon_threadsafe,
        stop=stop,
        retained=retained,
        say=say,
    )
    service.watchers.add(watcher)
    link.start()
    return link
