"""The MQTT client in two makes with one face: paho as it is, and paho with its reading replaced.

paho reads a packet byte by byte and takes about 55 µs of a core for a message. :class:`FastClient` reads what the
socket holds in one go, takes the PUBLISH packets out of it itself and leaves every other packet to paho; it
acknowledges a batch in one write. For that it reaches into paho, so it is used only with the versions it was tested
with; with any other :class:`StockClient` does the same work more slowly.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from typing import Any, NamedTuple, Protocol

from paho.mqtt import client as mqtt
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion

from service.work.conditions import KEPT_BYTES
from service.work.payloads import MAX_PAYLOAD_BYTES

_log = logging.getLogger(__name__)

TESTED = frozenset({"2.2.0"})
"""Versions of paho-mqtt whose inside :class:`FastClient` is known to fit."""

_READ_BYTES = 64 * 1024
_READ_MESSAGES = 100  # that paho reads before they are handed over
_PUBLISH, _PUBACK = 0x30, 0x40
_TOPICS_KEPT = 10_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Delivery(NamedTuple):
    """One message as the broker delivered it."""

    topic: str
    payload: bytes
    """The message, or only its first part if it is larger than is read."""
    size_bytes: int
    received_us: int
    """When it came, in microseconds since 1970; a microsecond after the one before it, if they came as one."""
    qos: int
    mid: int
    connection: int
    """Which connection it came on; packet ids of older ones mean nothing to the broker."""
    retained: bool

    @property
    def received_at(self) -> datetime:
        """When it came."""
        return _EPOCH + timedelta(microseconds=self.received_us)


class Receiver(Protocol):
    """What a client needs of the one that it reads for. Called in the network thread."""

    def has_room(self) -> bool:
        """Return whether more may be read now; waits a moment for it."""
        ...

    def stamp(self) -> tuple[int, int]:
        """Return the moment, in microseconds since 1970, and the number of the connection."""
        ...

    def receive(self, deliveries: list[Delivery]) -> None:
        """Take messages in the order of their arrival."""
        ...

    def connecting(self) -> None:
        """Hear that a new connection begins: packet ids of the one before mean nothing any more."""
        ...


def client_class(wanted: str = "auto") -> type[StockClient] | type[FastClient]:
    """Return the fast client if paho is of a version it was tested with and not ``stock`` is wanted."""
    if wanted == "stock":
        return StockClient
    found = version("paho-mqtt")
    if found in TESTED:
        return FastClient
    _log.info(
        "paho-mqtt %s was not tested with the fast reader (%s were): its own reader takes over",
        found,
        ", ".join(sorted(TESTED)),
    )
    return StockClient


def _text(topic: bytes) -> str:
    # MQTT wants UTF-8, but nobody can be made to send it.
    return topic.decode("utf-8", "replace")


class _Client(mqtt.Client):
    """What both have in common."""

    receiver: Receiver

    def delivery(self, message: mqtt.MQTTMessage, received_us: int, connection: int) -> Delivery:
        """Return a message that paho has read."""
        payload = bytes(message.payload)
        size = len(payload)
        try:
            topic = message.topic
        except UnicodeDecodeError as error:
            topic = _text(error.object)
        kept = payload if size <= MAX_PAYLOAD_BYTES else payload[:KEPT_BYTES]
        return Delivery(
            topic, kept, size, received_us, message.qos, message.mid, connection, bool(message.retain)
        )

    def hand_over(self, deliveries: list[Delivery]) -> None:
        """Give messages to the receiver, whose failure must not end the network thread."""
        try:
            self.receiver.receive(deliveries)
        except Exception:  # noqa: BLE001 - not acknowledged, so nothing is lost
            _log.exception("Messages could not be handed over; the broker will send them again")

    def forget(self) -> None:
        """Drop what is left of a connection."""
        raise NotImplementedError

    def reconnect(self) -> MQTTErrorCode:
        """Connect anew; nothing of the connection before may be mixed with it."""
        self.receiver.connecting()
        self.forget()
        return super().reconnect()

    def thread_lives(self) -> bool:
        """Whether the network thread lives; paho's own ``is_connected`` says yes even after it died."""
        thread = self._thread  # paho tells it nowhere else
        return thread is not None and thread.is_alive()

    def end(self, patience_s: float) -> bool:
        """Disconnect and end the network thread; False if it does not end in time (it holds up nothing)."""
        self.disconnect()
        # In a thread that the interpreter does not wait for: paho's may hang in a name look-up.
        ending = threading.Thread(target=self.loop_stop, name="mqtt-end", daemon=True)
        ending.start()
        ending.join(patience_s)
        return not ending.is_alive()


class StockClient(_Client):
    """paho as it is: one callback a message, one packet an acknowledgement."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._found: list[Delivery] = []
        self._found_bytes = 0
        self._received_us, self._connection = 0, 0
        self._due: deque[int] = deque()  # to be acknowledged
        self._acking = threading.Lock()
        self.on_message = self._take

    def ack_all(self, mids: Sequence[int]) -> None:
        """Acknowledge messages of QoS 1 in order. Callable from any thread."""
        with self._acking:
            self._due.extend(mids)
            # The first wakes the network thread, which goes on with the others: two threads that take turns at
            # writing wait for each other at every message.
            self._ack_due(1)

    def _ack_due(self, most: int) -> None:
        for _ in range(min(most, len(self._due))):
            self.ack(self._due.popleft(), 1)

    def loop_write(self) -> MQTTErrorCode:
        """Let paho write, acknowledgements that are due as well."""
        with self._acking:
            self._ack_due(len(self._due))
        return super().loop_write()

    def forget(self) -> None:
        """Drop what is to be acknowledged."""
        with self._acking:
            self._due.clear()

    def end(self, patience_s: float) -> bool:
        """Disconnect and end the network thread, see above; before that, write what is due."""
        with self._acking:
            self._ack_due(len(self._due))
        return super().end(patience_s)

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Let paho read what has come, packet by packet up to a bound, and hand over the messages in it."""
        while not self.receiver.has_room():
            if self._thread_terminate:
                return MQTTErrorCode.MQTT_ERR_SUCCESS
        self._found, self._found_bytes = [], 0
        self._received_us, self._connection = self.receiver.stamp()
        failed, before = MQTTErrorCode.MQTT_ERR_SUCCESS, -1
        try:
            # Until a read brings no message: then nothing is left, or an answer came that may begin a connection.
            while (
                not failed and before < len(self._found) < _READ_MESSAGES and self._found_bytes < _READ_BYTES
            ):
                before = len(self._found)
                failed = super().loop_read(max_packets)
        finally:
            if self._found:
                self.hand_over(self._found)
        return failed

    def _take(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        self._found.append(self.delivery(message, self._received_us, self._connection))
        self._received_us += 1
        self._found_bytes += len(message.payload)


class FastClient(_Client):
    """paho with its reading replaced, see the module."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._parts: list[bytes] = []  # the beginning of a packet whose end has not come
        self._have = 0
        self._need = 1
        self._topics: dict[bytes, str] = {}
        self.on_message = self._take

    def ack_all(self, mids: Sequence[int]) -> None:
        """Acknowledge messages of QoS 1 in order, in one packet to write. Callable from any thread."""
        if mids:
            packets = b"".join([b"\x40\x02" + mid.to_bytes(2, "big") for mid in mids])
            self._packet_queue(_PUBACK, packets, mids[-1], 1)

    def forget(self) -> None:
        """Drop the beginning of a packet."""
        self._parts, self._have, self._need = [], 0, 1

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:  # noqa: ARG002 - paho's signature
        """Read what the socket holds, and hand over the messages in it."""
        if self._sock is None:
            return MQTTErrorCode.MQTT_ERR_NO_CONN
        if not self.receiver.has_room():
            # We chose not to read, so an answer to our ping cannot be missed.
            self._heard()
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        try:
            data = self._sock_recv(_READ_BYTES)
        except BlockingIOError:
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        except OSError as error:
            _log.debug("Reading from the broker failed: %s", error)
            data = b""
        if not data:
            return self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_CONN_LOST)
        self._quick_ack()
        self._heard()
        self._parts.append(data)
        self._have += len(data)
        if self._have < self._need:
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        if len(self._parts) > 1:
            data = b"".join(self._parts)
        return self._read(data)

    def _heard(self) -> None:
        with self._msgtime_mutex:
            self._last_bytes_received = time.monotonic()
            self._ping_t = 0.0

    def _quick_ack(self) -> None:
        # A broker that gathers small packets (Nagle) waits for the acknowledgement that TCP delays by 40 ms.
        if hasattr(socket, "TCP_QUICKACK"):
            with suppress(OSError, AttributeError):
                self._sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)  # type: ignore[union-attr]

    def _read(self, data: bytes) -> MQTTErrorCode:
        """Take the whole packets out of the bytes and keep the rest for the next time."""
        mqtt5 = self._protocol == MQTTProtocolVersion.MQTTv5
        topics = self._topics
        found: list[Delivery] = []
        received_us, connection = self.receiver.stamp()
        new = tuple.__new__  # what the named tuple's own constructor calls, without the call
        end, place, need = len(data), 0, 1
        self._parts, self._have, self._need = [], 0, 1
        while end - place >= 2:
            command = data[place]
            body, length = place + 2, data[place + 1]
            if length > 127:
                measured = _length(data, place + 1, end)
                if measured is None:
                    need = end - place + 1
                    break
                if measured[0] < 0:
                    self._hand_over(found)
                    return self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_PROTOCOL)
                length, body = measured
            stop = body + length
            if stop > end:
                need = stop - place
                break
            name_end = body + 2 + (data[body] << 8 | data[body + 1]) if length > 1 else end + 1
            qos = command >> 1 & 3
            begin = name_end + 2 if qos else name_end
            plain = command & 0xF0 == _PUBLISH and qos < 2 and begin + mqtt5 <= stop
            if plain and mqtt5:
                # Properties: how they are many, and past them. The broker may not use topic aliases, for we offer none.
                properties = data[begin]
                begin += 1 + properties
                plain = properties < 128 and begin <= stop and name_end > body + 2
            if plain:
                name = data[body + 2 : name_end]
                topic = topics.get(name)
                if topic is None:
                    topic = _text(name)
                    if len(topics) < _TOPICS_KEPT:
                        topics[name] = topic
                payload = data[begin:stop]
                size = stop - begin
                found.append(
                    new(
                        Delivery,
                        (
                            topic,
                            payload if size <= MAX_PAYLOAD_BYTES else payload[:KEPT_BYTES],
                            size,
                            received_us,
                            qos,
                            data[name_end] << 8 | data[name_end + 1] if qos else 0,
                            connection,
                            command & 1 == 1,
                        ),
                    )
                )
                received_us += 1
            else:
                self._hand_over(found)
                found = []
                failed = self._by_paho(command, data[body:stop])
                if failed or self._sock is None:
                    return failed
                connection = self.receiver.stamp()[1]  # an accepted connection has a new number
            place = stop
        self._parts = [data[place:]] if place < end else []
        self._have, self._need = end - place, need
        self._hand_over(found)
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _hand_over(self, found: list[Delivery]) -> None:
        if found:
            self.hand_over(found)

    def _by_paho(self, command: int, body: bytes) -> MQTTErrorCode:
        """Let paho handle a packet as if it had read it."""
        self._in_packet = {
            "command": command,
            "have_remaining": 1,
            "remaining_count": [],
            "remaining_mult": 1,
            "remaining_length": len(body),
            "packet": bytearray(body),
            "to_process": 0,
            "pos": 0,
        }
        try:
            failed = self._packet_handle()
        except Exception as error:  # noqa: BLE001 - whatever a broken packet makes it stumble on
            _log.warning("The broker sent a packet that cannot be read: %s", error)
            failed = MQTTErrorCode.MQTT_ERR_PROTOCOL
        return self._loop_rc_handle(failed) if failed > 0 else MQTTErrorCode.MQTT_ERR_SUCCESS

    def _take(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        """Take a message that paho has read, one of an unusual kind."""
        self.hand_over([self.delivery(message, *self.receiver.stamp())])


def _length(data: bytes, place: int, end: int) -> tuple[int, int] | None:
    """Return a packet's length and where its body begins; None: not all there yet; -1: not a length."""
    length = 0
    for digit in range(4):
        if place + digit >= end:
            return None
        byte = data[place + digit]
        length |= (byte & 127) << 7 * digit
        if byte < 128:
            return length, place + digit + 1
    return -1, 0
