"""What waits is said, in order. On the thread of the connection."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from datetime import datetime

import aiomqtt

from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.telemetry.client import POLL_S
from bridge.telemetry.messages import Message, Speaker
from bridge.telemetry.watcher import Waiting

PUBLISH_S = 3.0
"""A broker that takes nothing for so long is as good as gone."""
EVENTS_A_TURN = 4
"""So that what waited for a broker does not take the interpreter from the music all at once."""


async def speak(
    client: aiomqtt.Client, speaker: Speaker, waiting: Waiting, is_ending: Callable[[], bool]
) -> None:
    """Until the end, or until the broker takes nothing: raises then. What it did not take is said
    to the next one; it may then be said twice."""
    said = None
    while True:
        ends = is_ending()  # looked at first: what happened before is said
        latch = waiting.latch
        if latch is not said:
            await _publish(client, speaker.state(latch, local_time(host_now())))
            said = latch
        for _ in range(len(waiting.events) if ends else min(EVENTS_A_TURN, len(waiting.events))):
            at_s, record = waiting.events[0]
            event = speaker.event(record, local_time(at_s))
            if event is not None:
                await _publish(client, event)
            waiting.events.popleft()
        if lost := waiting.lost - waiting.lost_said:
            await _publish(client, speaker.missing(lost, local_time(host_now())))
            waiting.lost_said += lost
        meters, waiting.meters = waiting.meters, None
        if meters is not None:
            await _publish(client, speaker.meters(meters, local_time(host_now())))
        if ends:
            await _publish(client, speaker.state(latch, local_time(host_now()), online=False))
            return
        await asyncio.sleep(POLL_S)


async def _publish(client: aiomqtt.Client, message: Message) -> None:
    await client.publish(
        message.topic, message.payload, qos=1, retain=message.retain, timeout=PUBLISH_S
    )


def local_time(at_s: HostS) -> str:
    """The time of day at a time of the host's clock, ISO 8601 with its offset."""
    at = time.time() - (host_now() - at_s)
    return datetime.fromtimestamp(at).astimezone().isoformat(timespec="milliseconds")
