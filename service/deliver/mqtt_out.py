"""MQTT out: retained messages with what holds now, for climate controllers and dashboards to read."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import random
import threading
from datetime import datetime
from urllib.parse import unquote, urlsplit

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from service.deliver.outcome import NotSent
from service.records.tables import Notice, Receiver
from service.work.notices import RETAINED

_log = logging.getLogger(__name__)

_CONNECT_S = 10.0
_ACKNOWLEDGED_S = 10.0


class MqttOut:
    """Publishes to one broker, with QoS 1: sent is what the broker acknowledged. Connects when first needed."""

    def __init__(self, url: str | None) -> None:
        self._url = url
        self._client: mqtt.Client | None = None
        self._ready = threading.Event()
        self._starting = asyncio.Lock()

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
        async with self._starting:
            if self._client is None:
                self._client = self._start(self._url)
        await asyncio.to_thread(self._publish, notice.subject, payload, notice.type == RETAINED)

    def _start(self, url: str) -> mqtt.Client:
        parts = urlsplit(url)
        # Two processes with one client id would throw each other out.
        name = f"evenleaf-out-{os.getpid()}-{random.randrange(16**6):06x}"  # noqa: S311
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTProtocolVersion.MQTTv311
        )
        client.suppress_exceptions = True
        client.reconnect_delay_set(1, 30)
        if parts.username:
            client.username_pw_set(unquote(parts.username), unquote(parts.password or ""))
        if parts.scheme == "mqtts":
            client.tls_set()
        client.on_connect = lambda _c, _u, _f, code, _p: None if code.is_failure else self._ready.set()
        client.on_disconnect = lambda *_: self._ready.clear()
        client.connect_async(parts.hostname or "", parts.port or (8883 if parts.scheme == "mqtts" else 1883))
        client.loop_start()
        return client

    def _publish(self, topic: str, payload: bytes, retain: bool) -> None:
        client = self._client
        if client is None or not self._ready.wait(_CONNECT_S):
            raise NotSent("the broker cannot be reached")
        sent = client.publish(topic, payload, qos=1, retain=retain)
        if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise NotSent(f"the broker cannot be reached: {mqtt.error_string(sent.rc)}")
        sent.wait_for_publish(_ACKNOWLEDGED_S)
        if not sent.is_published():
            raise NotSent("the broker did not acknowledge")

    async def close(self) -> None:
        """Leave the broker."""
        client, self._client = self._client, None
        if client is not None:
            await asyncio.to_thread(_leave, client)


def _leave(client: mqtt.Client) -> None:
    client.disconnect()
    client.loop_stop()
