"""The connection to the broker: a thread with a loop of its own, so that no broker holds music up.

From the service's loop to here: the places of `Waiting`, looked at every POLL_S. From here to the
service: a stop and what is retained, by call_soon_threadsafe, at most one of each waiting. A broker
that sends more than MOST_MESSAGES in a second is left alone for a while: reading it all would take
the interpreter from the music.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from bridge.telemetry.config_mqtt import Mqtt
from bridge.telemetry.messages import Message, Speaker
from bridge.telemetry.stop_topic import StopTopics
from bridge.telemetry.topics import topics_of
from bridge.telemetry.watcher import Waiting

POLL_S = 0.025
BACKOFF_S = (0.5, 1.0, 2.0, 5.0, 10.0)
"""Waits between attempts to connect; the last one repeats."""
MOST_MESSAGES = 500
FLOODED_WAIT_S = 5.0
KEEPALIVE_S = 5
"""A broker that says nothing for one and a half of these is gone; and so are we, to it."""
KEPT_SESSION_S = 60
"""A stop sent (QoS 1) while we were away for less comes when we are back."""
CONNECT_S = 5.0
PUBLISH_S = 3.0
"""A broker that takes nothing for so long is as good as gone."""


class CredentialsError(Exception):
    """The credentials cannot be used; the text says why and what to do."""


class _FloodedError(Exception):
    pass


def read_credentials(path: Path) -> tuple[str, str]:
    """(user name, password). Raises CredentialsError, whose text never holds either."""
    try:
        if path.stat().st_mode & 0o077:
            raise CredentialsError(f"{path}: others can read it; chmod 600 {path}")
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise CredentialsError(f"{path}: cannot be read: {type(error).__name__}") from error
    if len(lines) != 2 or not all(lines):
        raise CredentialsError(f"{path}: needs two lines, user name and password")
    return lines[0], lines[1]


def tls_context(config: Mqtt) -> ssl.SSLContext | None:
    """Raises OSError (ssl.SSLError too) for files that cannot be used."""
    if not config.tls:
        return None
    context = ssl.create_default_context(cafile=config.ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if config.certificate_file is not None:
        context.load_cert_chain(config.certificate_file, config.key_file)
    return context


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
    ) -> None:
        """Raises CredentialsError and OSError for what is wrong before anything is tried."""
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
        self._stop_waits = False
        self._stop_topics = StopTopics()
        self._ending = threading.Event()
        self._last_said = ""
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
        asyncio.run(self._stay_connected())

    async def _stay_connected(self) -> None:
        attempt = 0
        while not self._ending.is_set():
            wait_s = BACKOFF_S[min(attempt, len(BACKOFF_S) - 1)]
            try:
                async with asyncio.timeout(None) as connecting:
                    connecting.reschedule(asyncio.get_running_loop().time() + CONNECT_S * 2)
                    async with self._client() as client:
                        connecting.reschedule(None)
                        attempt = 0
                        self._tell("MQTT: connected")
                        await self._serve(client)
                        return
            except _FloodedError:
                wait_s = FLOODED_WAIT_S
                self._tell(f"MQTT: the broker floods; left alone for {wait_s:g} s.{_UNHEARD}")
            except Exception as error:
                self._tell(f"MQTT: {_why(error)}; trying again.{_UNHEARD}")
            attempt += 1
            await self._pause(wait_s)

    def _client(self) -> aiomqtt.Client:
        will = self._speaker.last_will()
        user, password = self._credentials
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = KEPT_SESSION_S
        return aiomqtt.Client(
            self._config.host,
            self._config.port,
            username=user,
            password=password,
            identifier=f"coilwarden-{self._config.site}-{self._config.bridge}",
            protocol=aiomqtt.ProtocolVersion.V5,
            clean_start=False,
            properties=properties,
            will=aiomqtt.Will(will.topic, will.payload, qos=1, retain=True),
            tls_context=self._tls,
            keepalive=KEEPALIVE_S,
            timeout=CONNECT_S,
            max_queued_incoming_messages=MOST_MESSAGES,
            max_queued_outgoing_messages=64,
        )

    async def _serve(self, client: aiomqtt.Client) -> None:
        """Until the end. Raises whatever ends the connection."""
        self._stop_topics.connected()
        self._tell_retained(())
        # As published: a retained stop is known for one when it is sent, not only afterwards.
        options = SubscribeOptions(qos=1, retainAsPublished=True)
        hearing = asyncio.create_task(self._hear(client))
        speaking: asyncio.Task[None] | None = None
        try:
            await client.subscribe([(t, options) for t in self._topics.stops], timeout=CONNECT_S)
            speaking = asyncio.create_task(self._speak(client))
            await asyncio.wait({hearing, speaking}, return_when=asyncio.FIRST_COMPLETED)
            for task in (hearing, speaking):
                if task.done():
                    task.result()
        finally:
            tasks = [t for t in (hearing, speaking) if t is not None]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

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

    async def _speak(self, client: aiomqtt.Client) -> None:
        said, waiting = None, self._waiting
        while True:
            is_ending = self._ending.is_set()  # looked at first: what happened before is said
            time_text = _now()
            latch = waiting.latch
            if latch is not said:
                said = latch
                await _publish(client, self._speaker.state(latch, time_text))
            while waiting.events:
                event = self._speaker.event(waiting.events.popleft(), time_text)
                if event is not None:
                    await _publish(client, event)
            if lost := waiting.lost:
                waiting.lost = 0
                await _publish(client, self._speaker.missing(lost, time_text))
            meters, waiting.meters = waiting.meters, None
            if meters is not None:
                await _publish(client, self._speaker.meters(meters, time_text))
            if is_ending:
                await _publish(client, self._speaker.state(latch, time_text, online=False))
                return
            await asyncio.sleep(POLL_S)

    async def _pause(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while time.monotonic() < until and not self._ending.is_set():  # noqa: ASYNC110  (a thread's event)
            await asyncio.sleep(POLL_S)

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


async def _publish(client: aiomqtt.Client, message: Message) -> None:
    await client.publish(
        message.topic, message.payload, qos=1, retain=message.retain, timeout=PUBLISH_S
    )


def _why(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="milliseconds")
