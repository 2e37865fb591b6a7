"""A playing site at a broker."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from bridge.config import Config
from bridge.telemetry.attend import connect
from tests.stops.rig import Running, config, play

OWN = "coilwarden/depot/bridge/north-yard"
SITE_STOP = "coilwarden/depot/stop"


def with_mqtt(folder: Path, port: int, **more: Any) -> Config:
    mqtt = {
        "host": "127.0.0.1", "port": port, "bridge": "north-yard", "site": "depot", "meters_hz": 5,
    } | more  # fmt: skip
    return config(folder, mqtt=mqtt)


class Said(list[str]):
    """What the operator was told."""

    def has(self, part: str) -> bool:
        return any(part in line for line in self)


def at_broker(built: Config, story: Callable[[Running, Said], Awaitable[None]]) -> Said:
    """A playing site with MQTT, until the story ends."""
    said = Said()

    async def with_link(made: Running) -> None:
        assert made.config.mqtt is not None
        link = connect(made.service, made.config.mqtt, said.append)
        try:
            await made.until(lambda: said.has("connected"), lambda: str(said))
            await story(made, said)
        finally:
            await asyncio.to_thread(link.close)

    play(built, with_link)
    return said
