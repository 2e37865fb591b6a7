"""aiomqtt's client as this daemon uses it, and how to be rid of one at once."""

from __future__ import annotations

import contextlib
import logging
import ssl
from typing import Any, cast

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from bridge.telemetry.config_mqtt import Mqtt
from bridge.telemetry.load import MOST_PACKET_BYTES
from bridge.telemetry.messages import Message

POLL_S = 0.025
KEEPALIVE_S = 5
"""A broker that says nothing for one and a half of these is gone; and so are we, to it."""
KEPT_SESSION_S = 60
"""A stop sent (QoS 1) while we were away for less comes when we are back."""
ANSWER_S = 5.0
MOST_WAITING = 500
"""Messages that wait to be heard."""

# What the libraries say is said by us, once; a broker that lies could fill the terminal with it.
_SILENT = logging.getLogger("coilwarden.mqtt")
_SILENT.propagate = False
_SILENT.addHandler(logging.NullHandler())
_SILENT.setLevel(logging.CRITICAL + 1)


def new_client(
    config: Mqtt,
    will: Message,
    credentials: tuple[str | None, str | None],
    tls: ssl.SSLContext | None,
) -> aiomqtt.Client:
    """Not connected yet. To be made on the loop it is used on."""
    user, password = credentials
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = KEPT_SESSION_S
    properties.MaximumPacketSize = MOST_PACKET_BYTES
    return aiomqtt.Client(
        config.host,
        config.port,
        username=user,
        password=password,
        identifier=f"coilwarden-{config.site}-{config.bridge}",
        protocol=aiomqtt.ProtocolVersion.V5,
        clean_start=False,
        properties=properties,
        will=aiomqtt.Will(will.topic, will.payload, qos=1, retain=True),
        tls_context=tls,
        keepalive=KEEPALIVE_S,
        timeout=ANSWER_S,
        max_queued_incoming_messages=MOST_WAITING,
        max_queued_outgoing_messages=64,
        logger=_SILENT,
    )


def _paho(client: aiomqtt.Client) -> Any:
    return cast(Any, client)._client


def incoming_bytes(client: aiomqtt.Client) -> int:
    """How long the packet that is just coming in says it is."""
    return int(_paho(client)._in_packet["remaining_length"])


def abort(client: aiomqtt.Client) -> None:
    """Closes its line without a word; nothing if it is closed.

    aiomqtt leaves the line open, and goes on reading it, where an error in reading ended the
    connection. Neither it nor paho has a public way; tests with a broker that lies hold the names.
    """
    with contextlib.suppress(OSError, RuntimeError, ValueError):
        _paho(client)._sock_close()


def ended_by(client: aiomqtt.Client, error: Exception) -> Exception:
    """The error that ended the connection, where aiomqtt knows more than `error` says."""
    end = cast(Any, client)._disconnected
    found = end.exception() if end.done() and not end.cancelled() else None
    return error if found is None else cast(Exception, found)


_SESSION_TAKEN_OVER = 0x8E
"""MQTT 5.0, section 2.4."""


def why(error: BaseException) -> str:
    """What ended a connection, for people."""
    if getattr(getattr(error, "rc", None), "value", None) == _SESSION_TAKEN_OVER:
        return "another daemon has this name at the broker; give each a bridge of its own"
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
