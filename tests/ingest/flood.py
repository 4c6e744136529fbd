"""Publishes as fast as the broker takes it: QoS 1 over MQTT 3.1.1, packets made in one piece."""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterable, Iterator
from itertools import islice

from ingest.listener import BrokerAddress

_TIMEOUT_S = 120.0
_AT_ONCE = 500


def flood(url: str, messages: Iterable[tuple[str, bytes]], at_once: int = _AT_ONCE) -> int:
    """Publish messages in order, up to so many unacknowledged; return how many the broker acknowledged.

    Ends early, without an error, if the broker leaves: the messages that it acknowledged are the first so many.
    """
    address = BrokerAddress.parse(url)
    sent = acknowledged = 0
    with socket.create_connection((address.host, address.port), timeout=_TIMEOUT_S) as connection:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.sendall(b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x00\x00\x00")  # a clean session, no keep-alive
        assert connection.recv(4) == b"\x20\x02\x00\x00", "the broker refuses us"
        packets = _packets(messages)
        rest = b""
        try:
            while True:
                block = list(islice(packets, at_once - (sent - acknowledged)))
                connection.sendall(b"".join(block))
                sent += len(block)
                if sent == acknowledged:
                    connection.sendall(b"\xe0\x00")
                    return acknowledged
                if hasattr(socket, "TCP_QUICKACK"):  # else the broker's small packets wait 40 ms for ours
                    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)
                part = connection.recv(65536)
                if not part:
                    return acknowledged
                rest += part
                whole = len(rest) // 4
                acknowledged += rest[: 4 * whole : 4].count(b"\x40")
                rest = rest[4 * whole :]
        except ConnectionError:
            return acknowledged


def _packets(messages: Iterable[tuple[str, bytes]]) -> Iterator[bytes]:
    mid = 0
    for topic, payload in messages:
        mid = mid % 65535 + 1
        name = topic.encode()
        rest = struct.pack(">H", len(name)) + name + struct.pack(">H", mid) + payload
        length, size = b"", len(rest)
        while True:
            size, digit = divmod(size, 128)
            length += bytes([digit | 0x80 if size else digit])
            if not size:
                break
        yield b"\x32" + length + rest
