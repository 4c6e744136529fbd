"""The MQTT client: hands QoS 1 messages over in order and acknowledges them once they are stored.

The network thread reads (:mod:`ingest.reader`); asyncio takes what is waiting, in batches. What is handed over and
not yet acknowledged is bounded: when it is full the socket is not read, and the broker keeps the rest.
"""

from __future__ import annotations

import asyncio
import logging
import math
import random
import socket
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import unquote, urlsplit

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.reader import Delivery, FastClient, StockClient, client_class
from service.clock import Clock

_log = logging.getLogger(__name__)

CLIENT_ID = "evenleaf-ingest-0"
"""Fixed, so that a restarted process resumes the session in which the broker kept its messages."""

_SESSION_EXPIRY_S = 7 * 86400
MAX_WAITING = 5_000
"""Messages handed over and not yet acknowledged, beyond which the socket is not read."""
_RECEIVE_MAXIMUM = MAX_WAITING
_MANY = 8  # that part of a batch is many
_MANY_PACE = 4.0  # times as long is waited for a whole batch after many: transactions have their cost
_KEEPALIVE_S = 60
_ROOM_S = 0.1
_LONGEST_REST_S = 0.05  # of the network thread, which also keeps the connection
_END_S = 10.0
_LONGEST_PAUSE_S = 40.0
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


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
        client: type[StockClient] | type[FastClient] | None = None,
        forget: Sequence[str] = (),
        max_waiting: int = MAX_WAITING,
        max_waiting_bytes: int = 24 * 1024 * 1024,
    ) -> None:
        self._address = address
        self._filter = topic_filter
        self._clock = clock
        self._mqtt5 = mqtt5
        self._client_id = client_id
        self._forget = list(forget)  # filters that the session may be subscribed to from former times
        self._heard_at = math.inf
        self._make_client = client or client_class()
        self._max_waiting = max_waiting
        self._max_waiting_bytes = max_waiting_bytes
        self._loop = asyncio.get_running_loop()
        self._arrived = asyncio.Event()
        self._waiting: deque[Delivery] = deque()
        self._wanted = 1  # so many end the wait
        self._taken_at = -math.inf
        self._rest_until = -math.inf  # by time.monotonic: nothing is taken before
        self._many = False  # came in the last batch
        self._room = threading.Condition()
        self._held = 0  # handed over and not acknowledged, under _room
        self._held_bytes = 0
        # Guards _connection against an acknowledgement that would go out on another connection.
        self._session = threading.Lock()
        self._connections = 0
        self._connection: int | None = None
        self._attempts = 0
        self._woken = False
        self._stopping = False
        self._client: StockClient | FastClient | None = None

    # ------------------------------------------------------------------ life

    def start(self, *, clean: bool = False) -> None:
        """Connect in the background, and keep connected; ``clean``: let the broker forget the session."""
        self._stopping = False
        client = self._make_client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if self._mqtt5 else MQTTProtocolVersion.MQTTv311,
            clean_session=None if self._mqtt5 else clean,
            manual_ack=True,
        )
        client.receiver = self
        client.suppress_exceptions = True  # otherwise one surprise in a callback ends paho's thread for good
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_socket_open = _without_delay
        address = self._address
        if address.username is not None:
            client.username_pw_set(address.username, address.password)
        if address.tls:
            client.tls_set()
        self._pause_before_next(client)
        if self._mqtt5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0 if clean else _SESSION_EXPIRY_S
            properties.ReceiveMaximum = _RECEIVE_MAXIMUM
            client.connect_async(
                address.host, address.port, _KEEPALIVE_S, clean_start=clean, properties=properties
            )
        else:
            client.connect_async(address.host, address.port, _KEEPALIVE_S)
        self._client = client
        client.loop_start()

    def healthy(self) -> bool:
        """Whether the network thread lives."""
        return self._client is not None and self._client.thread_lives()

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and the network thread lives."""
        return self._connection is not None and self.healthy()

    @property
    def connections(self) -> int:
        """How often the broker has accepted us."""
        return self._connections

    @property
    def waiting(self) -> int:
        """How many messages wait to be taken."""
        return len(self._waiting)

    def quiet(self, seconds: float) -> bool:
        """Whether, connected, nothing came for so long and everything is acknowledged."""
        return self.connected and not self._held and time.monotonic() - self._heard_at > seconds

    async def end_session(self, patience_s: float) -> bool:
        """Let the broker forget the session, once closed; return whether it was reached in time."""
        self._filter, self._forget = "", []
        self.start(clean=True)
        deadline = self._loop.time() + patience_s
        while not (reached := self.connected) and self._loop.time() < deadline:  # noqa: ASYNC110 - another thread decides
            await asyncio.sleep(0.05)
        await self.close()
        return reached

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
        if client is not None and not await asyncio.to_thread(client.end, _END_S):
            _log.error("The listener's network thread does not end; it is left behind")
        with self._session:
            self._connection = None

    # ------------------------------------------------------------------ asyncio's side

    async def take(self, most: int, pace_s: float = 0.0) -> list[Delivery]:
        """Return the messages that are waiting, in order of arrival.

        Waits for the first. If the last batch was taken less than ``pace_s`` ago, waits until then for more, or until
        there are many; if that batch was of many, some times as long, or until a whole one is there: a message that
        comes alone is given out at once, and many come in few batches. After :meth:`wake` it waits no more and comes
        back empty when nothing is left.
        """
        await self._wait_for(1, None)
        enough, wait_s = (most, _MANY_PACE * pace_s) if self._many else (most // _MANY, pace_s)
        await self._wait_for(enough, self._taken_at + wait_s)
        self._taken_at = self._loop.time()
        count = min(most, len(self._waiting))
        self._many = count >= most // _MANY
        self._rest_until = -math.inf if self._many else time.monotonic() + min(pace_s, _LONGEST_REST_S)
        next_one = self._waiting.popleft
        return [next_one() for _ in range(count)]

    async def _wait_for(self, count: int, until: float | None) -> None:
        """Wait until so many messages wait, until a time of the loop, or until woken."""
        while len(self._waiting) < count and not self._woken:
            if until is not None and until <= self._loop.time():
                return
            self._wanted = count
            self._arrived.clear()
            if len(self._waiting) < count and not self._woken:
                with suppress(TimeoutError):
                    async with asyncio.timeout_at(until):
                        await self._arrived.wait()

    def wake(self) -> None:
        """Let :meth:`take` wait no longer, now and from now on."""
        self._woken = True
        self._arrived.set()

    def ack(self, batch: Sequence[Delivery]) -> None:
        """Acknowledge messages in order of receipt. Callable from any thread."""
        with self._session:
            if self._client is not None:
                now = self._connection
                self._client.ack_all([d.mid for d in batch if d.qos and d.connection == now])
        with self._room:
            self._held -= len(batch)
            self._held_bytes -= sum([len(delivery.payload) for delivery in batch])
            self._room.notify_all()

    # ------------------------------------------------------------------ the network thread's side

    def has_room(self) -> bool:
        """Return whether more may be read now; waits a moment for it, and while few come until they are wanted."""
        rest_s = self._rest_until - time.monotonic()
        if rest_s > 0.0:
            # One read a batch: each has its cost, and the socket holds what comes meanwhile.
            time.sleep(rest_s)
        with self._room:
            if self._full() and not self._stopping:
                self._room.wait(timeout=_ROOM_S)
            return not self._full()

    def _full(self) -> bool:
        return self._held >= self._max_waiting or self._held_bytes >= self._max_waiting_bytes

    def stamp(self) -> tuple[int, int]:
        """Return the moment, in microseconds since 1970, and the number of the connection."""
        return (self._clock.now() - _EPOCH) // _MICROSECOND, self._connections

    def receive(self, deliveries: list[Delivery]) -> None:
        """Take messages in the order of their arrival."""
        with self._room:
            self._held += len(deliveries)
            self._held_bytes += sum([len(delivery.payload) for delivery in deliveries])
        self._heard_at = time.monotonic()
        self._waiting.extend(deliveries)
        # One wake-up a batch: the flag is cleared before the queue is looked at again.
        if len(self._waiting) >= self._wanted and not self._arrived.is_set():
            self._loop.call_soon_threadsafe(self._arrived.set)

    def connecting(self) -> None:
        """Hear that a new connection begins: packet ids of the one before mean nothing any more."""
        with self._session:
            self._connection = None

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
        self._attempts = 0
        with self._session:
            self._connections += 1
            self._connection = self._connections
        self._heard_at = time.monotonic()
        for former in self._forget:
            client.unsubscribe(former)
        if not self._filter:
            return
        # Retained messages are values of unknown age: MQTT 5 can be told to leave them out.
        if self._filter.startswith("$share/"):  # of which none are sent to a shared subscription
            client.subscribe(self._filter, options=SubscribeOptions(qos=1))
        elif self._mqtt5:
            client.subscribe(self._filter, options=SubscribeOptions(qos=1, retainHandling=2))
        else:
            client.subscribe(self._filter, qos=1)
        _log.info("Listening to %s at %s:%s", self._filter, self._address.host, self._address.port)

    def _on_connect_fail(self, client: mqtt.Client, _userdata: Any) -> None:
        self._pause_before_next(client)
        _log.warning("No broker answers at %s:%s; trying again", self._address.host, self._address.port)

    def _on_disconnect(
        self,
        client: mqtt.Client,
        _userdata: Any,
        _flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        with self._session:
            self._connection = None
        self._pause_before_next(client)
        if not self._stopping:
            _log.warning("The connection to the broker broke (%s); connecting again", reason)

    def _pause_before_next(self, client: mqtt.Client) -> None:
        """Choose the pause before the next attempt: anything up to a bound that grows ("full jitter").

        paho doubles its pause without jitter, and all that lost a broker at once would come back at once.
        """
        self._attempts += 1
        pause_s = random.uniform(0.1, min(_LONGEST_PAUSE_S, 1.5**self._attempts))  # noqa: S311
        client.reconnect_delay_set(pause_s, pause_s)  # type: ignore[arg-type] # it only adds it up

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


def _without_delay(_client: mqtt.Client, _userdata: Any, opened: Any) -> None:
    with suppress(OSError, AttributeError):
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
