"""Sends messages to the broker at their times, as a device would: QoS 1, a bounded number unacknowledged."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from seed_demo.sensors import Message
from service.clock import Clock

_UNACKNOWLEDGED = 64
_CONNECT_S = 15.0
_ACKNOWLEDGE_S = 60
_STANDSTILL_S = 30.0  # a shared clock may start a little later
_NAP_S = 0.05


class PlayError(Exception):
    """The scenario cannot be played on; the message says what was in the way."""


class Publisher:
    """A connection to the broker. Its methods block: call them in a thread."""

    def __init__(self, url: str, *, mqtt5: bool) -> None:
        self._url = urlsplit(url)
        if self._url.scheme not in {"mqtt", "mqtts"} or not self._url.hostname:
            raise PlayError(f"{url!r} is not mqtt://[user:password@]host[:port]")
        self._room = threading.BoundedSemaphore(_UNACKNOWLEDGED)
        self._answered = threading.Event()
        self._refusal = ""
        self._stop = threading.Event()
        self.messages = 0  # handed to the broker
        self.readings = 0
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"demo-house-{secrets.token_hex(4)}",
            protocol=MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311,
        )
        client.suppress_exceptions = True  # an exception in a callback would end paho's thread silently
        client.on_connect, client.on_publish = self._on_connect, self._on_publish
        if self._url.username:
            client.username_pw_set(self._url.username, self._url.password)
        if self._url.scheme == "mqtts":
            client.tls_set()
        self._client = client

    def connect(self) -> None:
        """Connect and wait for the broker's answer."""
        host, tls = self._url.hostname or "", self._url.scheme == "mqtts"
        port = self._url.port or (8883 if tls else 1883)
        try:
            self._client.connect(host, port)
        except OSError as error:
            raise PlayError(f"no broker answers at {host}:{port}: {error}") from error
        self._client.loop_start()
        if not self._answered.wait(_CONNECT_S):
            raise PlayError(f"the broker at {host}:{port} does not answer")
        if self._refusal:
            raise PlayError(f"the broker at {host}:{port} refuses: {self._refusal}")

    def send(self, messages: Sequence[Message], clock: Clock) -> None:
        """Publish messages, none before its time, and wait until all are acknowledged."""
        for message in messages:
            if not self._wait_for(message.at, clock):
                return
            self._take_room()
            sent = self._client.publish(message.topic, message.payload, qos=1)
            # Without a connection paho keeps the message and sends it once it has one again.
            if sent.rc not in {MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_NO_CONN}:
                raise PlayError(
                    f"a message to {message.topic} could not be sent: {mqtt.error_string(sent.rc)}"
                )
            self.messages += 1
            self.readings += message.readings
        for _ in range(_UNACKNOWLEDGED):
            self._take_room()

    def close(self) -> None:
        """Stop sending and disconnect."""
        self._stop.set()
        self._client.disconnect()
        self._client.loop_stop()

    def _wait_for(self, at: datetime, clock: Clock) -> bool:
        """Wait for a moment; false: sending was stopped meanwhile."""
        now, seen = clock.now(), time.monotonic()
        while now < at:
            left_s = (at - now).total_seconds() / max(clock.rate, 1e-9)
            if self._stop.wait(min(left_s, _NAP_S)):
                return False
            before, now = now, clock.now()
            if now != before:
                seen = time.monotonic()
            elif time.monotonic() - seen > _STANDSTILL_S:
                raise PlayError(f"the clock stands still at {now:%Y-%m-%d %H:%M}, before {at:%Y-%m-%d %H:%M}")
        return not self._stop.is_set()

    def _take_room(self) -> None:
        """Wait until the broker has acknowledged enough; give up where it acknowledges nothing for long."""
        for _ in range(_ACKNOWLEDGE_S):
            if self._room.acquire(timeout=1.0) or self._stop.is_set():
                return
        raise PlayError(f"the broker has acknowledged nothing for {_ACKNOWLEDGE_S} s")

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._refusal = str(reason) if reason.is_failure else ""
        self._answered.set()

    def _on_publish(self, _client: Any, _data: Any, _mid: Any, _reason: Any, _properties: Any) -> None:
        self._room.release()
