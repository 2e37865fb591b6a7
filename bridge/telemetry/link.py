"""The connection to the broker: a thread with a loop of its own, so that no broker holds music up.

From the service's loop to here: the places of `Waiting`, looked at every POLL_S. From here to the
service: a stop and what is retained, by call_soon_threadsafe, at most one stop waiting. A broker
that is too much (`load.py`), or sends more than MOST_MESSAGES in a second, is left alone for a
while: reading it all would take the interpreter from the music.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable
from typing import Any, cast

import aiomqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from bridge.telemetry.client import POLL_S, abort, ended_by, incoming_bytes, new_client, why
from bridge.telemetry.config_mqtt import Mqtt
from bridge.telemetry.credentials import read_credentials, tls_context
from bridge.telemetry.load import Load
from bridge.telemetry.messages import Speaker
from bridge.telemetry.speaking import speak
from bridge.telemetry.stop_topic import StopTopics
from bridge.telemetry.topics import topics_of
from bridge.telemetry.watcher import Waiting

BACKOFF_S = (0.5, 1.0, 2.0, 5.0, 10.0)
"""Waits between attempts to connect; the last one repeats."""
STEADY_S = 10.0
"""A connection that lasted for less was none: a broker that takes and drops is not asked twice a
second for ever."""
MOST_MESSAGES = 500
FLOODED_WAIT_S = 5.0
CONNECT_S = 10.0
"""For all of it: the line, TLS, the broker's greeting."""
SUBSCRIBE_S = 5.0


class _FloodedError(Exception):
    pass


class _RefusedError(Exception):
    """The broker lets no stop through."""


class MqttLink:
    """One daemon's connection. `stop`, `retained` and `say` are called on the service's loop."""

    def __init__(
        self,
        config: Mqtt,
        waiting: Waiting,
        *,
        call_soon: Callable[[Callable[[], None]], object],
        stop: Callable[[str], None],
        retained: Callable[[tuple[str, ...]], None],
        say: Callable[[str], None],
        busy_clock: Callable[[], float] = time.thread_time,
    ) -> None:
        """Raises CredentialsError for what is wrong before anything is tried. `busy_clock`: the
        processor time of the thread that asks, in seconds."""
        self._config = config
        self._credentials = (
            read_credentials(config.credentials_file) if config.credentials_file else (None, None)
        )
        self._tls = tls_context(config)
        self._topics = topics_of(config)
        self._speaker = Speaker(config)
        self._waiting = waiting
        self._call_soon = call_soon
        self._stop, self._retained, self._say = stop, retained, say
        self._busy_clock = busy_clock
        self._stop_waits = False
        self._stop_topics = StopTopics()
        self._ending = threading.Event()
        self._last_said = ""
        self._steady_from_s = 0.0
        self._thread = threading.Thread(target=self._run, name="MQTT", daemon=True)

    # -- the service's side -------------------------------------------------------------------

    def start(self) -> None:
        self._thread.start()

    def close(self, within_s: float = 2.0) -> None:
        """Says that the daemon leaves, if the broker takes it in time."""
        self._ending.set()
        self._thread.join(within_s)

    # -- its own thread -----------------------------------------------------------------------

    def _run(self) -> None:
        attempt = 0
        while not self._ending.is_set():
            self._steady_from_s = float("inf")
            try:
                # A loop for each connection: nothing of one that failed stays behind.
                asyncio.run(self._connection())
                return
            except _FloodedError:
                wait_s = FLOODED_WAIT_S
                self._tell(f"MQTT: the broker floods; left alone for {wait_s:g} s.{_UNHEARD}")
            except Exception as error:
                if time.monotonic() >= self._steady_from_s:
                    attempt = 0
                wait_s = BACKOFF_S[min(attempt, len(BACKOFF_S) - 1)]
                attempt += 1
                self._tell(f"MQTT: {why(error)}; trying again.{_UNHEARD}")
            self._ending.wait(wait_s)

    async def _connection(self) -> None:
        """One, until the end. Raises whatever ends it otherwise, and leaves nothing open."""
        client = new_client(self._config, self._speaker.last_will(), self._credentials, self._tls)
        talking = asyncio.create_task(self._talk(client))
        load = Load(time.monotonic(), self._busy_clock())
        try:
            while not (await asyncio.wait({talking}, timeout=POLL_S))[0]:
                if load.too_much(time.monotonic(), self._busy_clock(), incoming_bytes(client)):
                    raise _FloodedError
            talking.result()
        finally:
            abort(client)
            talking.cancel()
            await asyncio.gather(talking, return_exceptions=True)

    async def _talk(self, client: aiomqtt.Client) -> None:
        async with asyncio.timeout(CONNECT_S) as connecting, client:
            try:
                connecting.reschedule(None)
                await self._serve(client)
            except BaseException as error:
                found = ended_by(client, error) if isinstance(error, aiomqtt.MqttError) else error
                abort(client)  # a farewell to it would wait for it
                raise found from error

    async def _serve(self, client: aiomqtt.Client) -> None:
        """Until the end. Raises whatever ends the connection."""
        self._stop_topics.connected()
        self._tell_retained(())
        hearing = asyncio.create_task(self._hear(client))
        speaking: asyncio.Task[None] | None = None
        try:
            await self._subscribe(client)
            self._steady_from_s = time.monotonic() + STEADY_S
            self._tell("MQTT: connected")
            speaking = asyncio.create_task(
                speak(client, self._speaker, self._waiting, self._ending.is_set)
            )
            await asyncio.wait({hearing, speaking}, return_when=asyncio.FIRST_COMPLETED)
            for task in (hearing, speaking):
                if task.done():
                    task.result()
        finally:
            tasks = [t for t in (hearing, speaking) if t is not None]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        # As published: a retained stop is known for one when it is sent, not only afterwards.
        options = SubscribeOptions(qos=1, retainAsPublished=True)
        topics = self._topics.stops
        answer = await client.subscribe([(t, options) for t in topics], timeout=SUBSCRIBE_S)
        for topic, code in zip(topics, cast("list[Any]", answer), strict=True):
            if code.is_failure:
                raise _RefusedError(f"the broker does not let {topic} be read ({code})")

    async def _hear(self, client: aiomqtt.Client) -> None:
        since_s, count = time.monotonic(), 0
        async for message in client.messages:
            topic = str(message.topic)
            if topic in self._topics.stops:  # a broker that lies may send others
                meaning = self._stop_topics.message(topic, message.payload, message.retain)
                if meaning.stops:
                    self._tell_stop(meaning.detail)
                self._tell_retained(meaning.retained)
            count += 1
            now_s = time.monotonic()
            if now_s - since_s > 1.0:
                since_s, count = now_s, 0
            elif count > MOST_MESSAGES:
                raise _FloodedError

    # -- to the service's loop ----------------------------------------------------------------

    def _to_loop(self, call: Callable[[], None]) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to tell
            self._call_soon(call)

    def _tell_stop(self, detail: str) -> None:
        if self._stop_waits:  # one stop is as good as a thousand
            return
        self._stop_waits = True

        def stop() -> None:
            self._stop_waits = False
            self._stop(detail)

        self._to_loop(stop)

    def _tell_retained(self, topics: tuple[str, ...]) -> None:
        self._to_loop(lambda: self._retained(topics))

    def _tell(self, line: str) -> None:
        if line != self._last_said:
            self._last_said = line
            self._to_loop(lambda: self._say(line))


_UNHEARD = " Until then a stop over MQTT does not reach this site"
