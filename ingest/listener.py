"""The MQTT client: hands QoS 1 messages over in order and acknowledges them once they are stored.

paho's network thread reads; asyncio takes what is waiting, in batches. What is handed over and not yet
acknowledged is bounded: when it is full the network thread waits, the socket is not read, and the broker
keeps the rest.
"""

from __future__ import annotations

import asyncio
import logging
import random
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple
from urllib.parse import unquote, urlsplit

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.payloads import MAX_PAYLOAD_BYTES
from service.clock import Clock
from service.work.conditions import KEPT_BYTES

_log = logging.getLogger(__name__)

CLIENT_ID = "evenleaf-ingest-0"
"""Fixed, so that a restarted process resumes the session in which the broker kept its messages."""

_SESSION_EXPIRY_S = 7 * 86400
_RECEIVE_MAXIMUM = 5000
_KEEPALIVE_S = 60


@dataclass(frozen=True)
class BrokerAddress:
    """Where a broker is and as whom to go there."""

    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False

    @classmethod
    def parse(cls, url: str) -> BrokerAddress:
        """Return the address in ``mqtt[s]://[user[:password]@]host[:port]``.

        Raises
        ------
        ValueError
            If the text is not such a URL.
        """
        parts = urlsplit(url)
        if parts.scheme not in {"mqtt", "mqtts"} or not parts.hostname or parts.path.strip("/"):
            raise ValueError("the broker's URL is not mqtt://[user:password@]host[:port] or mqtts://...")
        tls = parts.scheme == "mqtts"
        return cls(
            host=parts.hostname,
            port=parts.port or (8883 if tls else 1883),
            username=unquote(parts.username) if parts.username else None,
            password=unquote(parts.password) if parts.password else None,
            tls=tls,
        )


class Delivery(NamedTuple):
    """One message as the broker delivered it."""

    topic: str
    payload: bytes
    """The message, or only its first part if it is larger than is read."""
    size_bytes: int
    received_at: datetime
    qos: int
    mid: int
    connection: int
    """Which connection it came on; packet ids of older ones mean nothing to the broker."""
    retained: bool


class MqttSource:
    """Messages of one topic filter, in order, each acknowledged when it is stored."""

    def __init__(
        self,
        address: BrokerAddress,
        topic_filter: str,
        clock: Clock,
        *,
        mqtt5: bool = True,
        client_id: str = CLIENT_ID,
        max_waiting: int = 20_000,
        max_waiting_bytes: int = 32 * 1024 * 1024,
    ) -> None:
        self._address = address
        self._filter = topic_filter
        self._clock = clock
        self._mqtt5 = mqtt5
        self._client_id = client_id
        self._max_waiting = max_waiting
        self._max_waiting_bytes = max_waiting_bytes
        self._loop = asyncio.get_running_loop()
        self._arrived = asyncio.Event()
        self._waiting: deque[Delivery] = deque()
        self._room = threading.Condition()
        self._held = 0  # handed over and not acknowledged, under _room
        self._held_bytes = 0
        # Guards _connection against an acknowledgement that would go out on another connection.
        self._session = threading.Lock()
        self._connections = 0
        self._connection: int | None = None
        self._woken = False
        self._stopping = False
        self._client: mqtt.Client | None = None

    # ------------------------------------------------------------------ life

    def start(self) -> None:
        """Connect in the background, and keep connected."""
        self._stopping = False
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if self._mqtt5 else MQTTProtocolVersion.MQTTv311,
            clean_session=None if self._mqtt5 else False,
            manual_ack=True,
        )
        client.suppress_exceptions = True  # otherwise one surprise in a callback ends paho's thread for good
        # paho doubles the pause without jitter; different processes start it from different points.
        client.reconnect_delay_set(random.randint(1, 3), random.randint(25, 40))  # noqa: S311
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        address = self._address
        if address.username is not None:
            client.username_pw_set(address.username, address.password)
        if address.tls:
            client.tls_set()
        if self._mqtt5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = _SESSION_EXPIRY_S
            properties.ReceiveMaximum = _RECEIVE_MAXIMUM
            client.connect_async(
                address.host, address.port, _KEEPALIVE_S, clean_start=False, properties=properties
            )
        else:
            client.connect_async(address.host, address.port, _KEEPALIVE_S)
        self._client = client
        client.loop_start()

    def healthy(self) -> bool:
        """Whether the network thread lives; paho's own ``is_connected`` says yes even after it died."""
        client = self._client
        thread = None if client is None else client._thread  # paho tells it nowhere else
        return thread is not None and thread.is_alive()

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and the network thread lives."""
        return self._connection is not None and self.healthy()

    async def revive(self) -> None:
        """Start anew after the network thread died."""
        await self.close()
        self.start()

    async def close(self) -> None:
        """Disconnect. What was not acknowledged stays with the broker for the next time."""
        self._stopping = True
        with self._room:
            self._room.notify_all()
        client, self._client = self._client, None
        if client is not None:
            client.disconnect()
            await asyncio.to_thread(client.loop_stop)
        with self._session:
            self._connection = None

    # ------------------------------------------------------------------ asyncio's side

    async def take(self, most: int, linger_s: float = 0.0) -> list[Delivery]:
        """Return the messages that are waiting, in order of arrival.

        Waits for the first, and if there are few, a little longer for more. After :meth:`wake` it waits no
        more and comes back empty when nothing is left.
        """
        while not self._waiting:
            if self._woken:
                return []
            self._arrived.clear()
            if not self._waiting and not self._woken:
                await self._arrived.wait()
        if linger_s and not self._woken and len(self._waiting) < most // 8:
            await asyncio.sleep(linger_s)
        return [self._waiting.popleft() for _ in range(min(most, len(self._waiting)))]

    def wake(self) -> None:
        """Let :meth:`take` wait no longer, now and from now on."""
        self._woken = True
        self._arrived.set()

    def ack(self, batch: Sequence[Delivery]) -> None:
        """Acknowledge messages in order of receipt. Callable from any thread."""
        for delivery in batch:
            if delivery.qos:
                with self._session:
                    if delivery.connection == self._connection and self._client is not None:
                        self._client.ack(delivery.mid, delivery.qos)
        with self._room:
            self._held -= len(batch)
            self._held_bytes -= sum(len(delivery.payload) for delivery in batch)
            self._room.notify_all()

    # ------------------------------------------------------------------ the network thread's side

    def _on_connect(
        self,
        client: mqtt.Client,
        _userdata: Any,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            _log.error("The broker at %s:%s refuses us: %s", self._address.host, self._address.port, reason)
            return
        with self._session:
            self._connections += 1
            self._connection = self._connections
        # Retained messages are values of unknown age: MQTT 5 can be told to leave them out.
        if self._mqtt5:
            client.subscribe(self._filter, options=SubscribeOptions(qos=1, retainHandling=2))
        else:
            client.subscribe(self._filter, qos=1)
        _log.info("Listening to %s at %s:%s", self._filter, self._address.host, self._address.port)

    def _on_connect_fail(self, _client: mqtt.Client, _userdata: Any) -> None:
        _log.warning("No broker answers at %s:%s; trying again", self._address.host, self._address.port)

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _userdata: Any,
        _flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        with self._session:
            self._connection = None
        if not self._stopping:
            _log.warning("The connection to the broker broke (%s); connecting again", reason)

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _userdata: Any,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        for reason in reasons:
            if reason.is_failure:
                _log.error("The broker does not let us listen to %s: %s", self._filter, reason)

    def _on_message(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        try:
            self._hand_over(message)
        except Exception:  # noqa: BLE001 - it would end paho's network thread
            _log.exception("A message could not be handed over; the broker will send it again")

    def _hand_over(self, message: mqtt.MQTTMessage) -> None:
        payload = bytes(message.payload)
        size = len(payload)
        if size > MAX_PAYLOAD_BYTES:
            payload = payload[:KEPT_BYTES]
        try:
            topic = message.topic
        except UnicodeDecodeError as error:
            topic = error.object.decode("utf-8", "replace")
        with self._room:
            # A single message always finds room, however large.
            while self._held and (
                self._held >= self._max_waiting or self._held_bytes + len(payload) > self._max_waiting_bytes
            ):
                if self._stopping:
                    return  # not acknowledged, so the broker sends it again
                self._room.wait(timeout=1.0)
            self._held += 1
            self._held_bytes += len(payload)
        self._waiting.append(
            Delivery(
                topic,
                payload,
                size,
                self._clock.now(),
                message.qos,
                message.mid,
                self._connections,
                bool(message.retain),
            )
        )
        # One wake-up a burst: the flag is cleared before the queue is looked at again.
        if not self._arrived.is_set():
            self._loop.call_soon_threadsafe(self._arrived.set)
