"""MQTT out: retained messages with what holds now, for climate controllers and dashboards to read."""

from __future__ import annotations

import asyncio
import json
import os
import random
import socket
import struct
import threading
from contextlib import suppress
from datetime import datetime
from typing import Any, cast
from urllib.parse import unquote, urlsplit

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from service.deliver.outcome import NotSent
from service.records.tables import Notice, Receiver
from service.work.notices import RETAINED

_CONNECT_S = 10.0
_ACKNOWLEDGED_S = 10.0
_END_S = 2.0


class _Connection:
    """One connection to a broker; once it is lost it stays so.

    A client that connects again by itself would send again what was not acknowledged, by then perhaps after something
    newer that another replica sent, and a retained topic would end on the older.
    """

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self.lost = False
        self._settled = threading.Event()  # it is connected, or is not to be
        self._over = threading.Event()
        # Two processes with one client id would throw each other out.
        name = f"evenleaf-out-{os.getpid()}-{random.randrange(16**6):06x}"  # noqa: S311
        self._client = client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            protocol=MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        client.suppress_exceptions = True
        if parts.username:
            client.username_pw_set(unquote(parts.username), unquote(parts.password or ""))
        if parts.scheme == "mqtts":
            client.tls_set()
        client.on_connect = lambda _c, _u, _f, code, _p: None if code.is_failure else self._settled.set()
        client.on_connect_fail = client.on_disconnect = self._ended
        client.connect_async(parts.hostname or "", parts.port or (8883 if parts.scheme == "mqtts" else 1883))
        client.loop_start()

    def _ended(self, *_: Any) -> None:
        self.lost = True
        self._over.set()
        self._settled.set()

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Publish, and wait until the broker has acknowledged it; if it does not, cut the connection."""
        if not self._settled.wait(_CONNECT_S) or self.lost:
            raise NotSent("the broker cannot be reached")
        sent = self._client.publish(topic, payload, qos=1, retain=retain)
        if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._cut()
            raise NotSent(f"the broker cannot be reached: {mqtt.error_string(sent.rc)}")
        sent.wait_for_publish(_ACKNOWLEDGED_S)
        if not sent.is_published():
            self._cut()
            raise NotSent("the broker did not acknowledge")

    def _cut(self) -> None:
        """End the connection at once; what has not left yet does not leave any more."""
        self.lost = True
        wire = cast("socket.socket | None", self._client.socket())
        if wire is None:
            return
        with suppress(OSError):  # closed meanwhile
            # Once it is closed, the system forgets what it still has to send.
            wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            wire.shutdown(socket.SHUT_RDWR)  # wakes the client, which then closes it
        self._over.wait(_END_S)

    def leave(self) -> None:
        """End the connection in the orderly way."""
        self._client.disconnect()
        if not self._over.wait(_END_S if self._settled.is_set() else 0.0):
            self._cut()


class MqttOut:
    """Publishes to one broker, with QoS 1: sent is what the broker acknowledged. Connects when first needed."""

    def __init__(self, url: str | None) -> None:
        self._url = url
        self._connection: _Connection | None = None

    async def send(self, notice: Notice, receiver: Receiver, now: datetime) -> None:  # noqa: ARG002
        """Publish a notice on its topic; without data, clear the topic.

        Raises
        ------
        NotSent
            If there is no broker, it cannot be reached, or it does not acknowledge.
        """
        if not self._url:
            raise NotSent("no broker is set (EVENLEAF_MQTT_URL)")
        payload = b"" if notice.data is None else json.dumps(notice.data, ensure_ascii=False).encode()
        if self._connection is None or self._connection.lost:
            self._connection = _Connection(self._url)
        await asyncio.to_thread(
            self._connection.publish, notice.subject, payload, retain=notice.type == RETAINED
        )

    async def close(self) -> None:
        """Leave the broker."""
        connection, self._connection = self._connection, None
        if connection is not None:
            await asyncio.to_thread(connection.leave)
