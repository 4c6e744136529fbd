"""What the fast reader makes of bytes, however they are cut, against paho's own reading; and when it is not used."""

from __future__ import annotations

import asyncio
import json
import socket
import struct
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

import ingest.reader
from ingest.batch import BatchDecoder
from ingest.reader import Delivery, FastClient, StockClient, client_class
from service.work.conditions import Directory, Stream
from service.work.payloads import MAX_PAYLOAD_BYTES


class Heap:
    """Takes whatever comes."""

    def __init__(self) -> None:
        self.found: list[Delivery] = []
        self.connections = 1

    def has_room(self) -> bool:
        return True

    def stamp(self) -> tuple[int, int]:
        return 1_000_000, self.connections

    def receive(self, deliveries: list[Delivery]) -> None:
        self.found += deliveries

    def connecting(self) -> None:
        pass


def read_all(
    kind: type[Any], pieces: list[bytes], protocol: MQTTProtocolVersion
) -> tuple[list[Delivery], Any]:
    """Let a client read pieces from a socket; return what it made of them and its last answer."""
    client = kind(CallbackAPIVersion.VERSION2, client_id="x", protocol=protocol, manual_ack=True)
    client.receiver = heap = Heap()
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    client._sock = ours
    answer = MQTTErrorCode.MQTT_ERR_SUCCESS
    try:
        for piece in pieces:
            theirs.sendall(piece)
            for _ in range(len(piece) + 2 if kind is StockClient else 2):
                if client._sock is not None:
                    answer = client.loop_read() or answer
    finally:
        theirs.close()
        ours.close()
        client._reset_sockets()
    return heap.found, answer


def publish(
    topic: bytes, payload: bytes, qos: int, mid: int, *, retain: bool = False, properties: bytes | None = None
) -> bytes:
    body = struct.pack(">H", len(topic)) + topic + (struct.pack(">H", mid) if qos else b"")
    body += (b"" if properties is None else bytes([len(properties)]) + properties) + payload
    length, size = b"", len(body)
    while True:
        size, digit = divmod(size, 128)
        length += bytes([digit | 0x80 if size else digit])
        if not size:
            return bytes([0x30 | qos << 1 | retain]) + length + body


PACKETS = st.lists(
    st.tuples(
        st.sampled_from([b"a", "h/\u20ac/t".encode(), b"evenleaf/h1/temp"]),
        st.binary(max_size=300),
        st.integers(0, 1),
        st.integers(1, 65535),
        st.booleans(),
    ),
    max_size=8,
)


@settings(max_examples=60, deadline=None)
@given(PACKETS, st.lists(st.integers(0, 2000), max_size=6), st.booleans())
def test_both_read_the_same_however_the_bytes_are_cut(
    packets: list[tuple[bytes, bytes, int, int, bool]], cuts: list[int], mqtt5: bool
) -> None:
    protocol = MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311
    # A property that nobody needs (the payload is text), on every other message.
    properties = [(b"" if n % 2 else b"\x01\x01") if mqtt5 else None for n in range(len(packets))]
    data = b"".join(
        publish(topic, payload, qos, mid, retain=retain, properties=extra)
        for (topic, payload, qos, mid, retain), extra in zip(packets, properties, strict=True)
    )
    places = [0, *sorted(cut for cut in cuts if cut < len(data)), len(data)]
    pieces = [data[a:b] for a, b in pairwise(places)]
    expected = [
        (topic.decode(), payload, len(payload), qos, mid if qos else 0, retain)
        for topic, payload, qos, mid, retain in packets
    ]
    for kind in (FastClient, StockClient):
        found, answer = read_all(kind, pieces, protocol)
        assert answer == MQTTErrorCode.MQTT_ERR_SUCCESS
        assert [(d.topic, d.payload, d.size_bytes, d.qos, d.mid, d.retained) for d in found] == expected


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=60), st.booleans())
def test_any_bytes_end_the_connection_at_worst(data: bytes, mqtt5: bool) -> None:
    read_all(FastClient, [data], MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311)


def test_of_an_oversized_message_only_the_first_part_is_held_and_messages_of_one_read_have_moments_of_their_own() -> (
    None
):
    big = publish(b"t", b"x" * (MAX_PAYLOAD_BYTES + 1), 1, 7)
    pieces = [big[:100_000], big[100_000:200_000], big[200_000:], publish(b"t", b"1", 1, 8) * 2]
    client_pieces = [piece[n : n + 20_000] for piece in pieces for n in range(0, len(piece), 20_000)]
    found, _ = read_all(FastClient, client_pieces, MQTTProtocolVersion.MQTTv311)
    assert [(len(d.payload), d.size_bytes, d.mid) for d in found] == [
        (4096, MAX_PAYLOAD_BYTES + 1, 7),
        (1, 1, 8),
        (1, 1, 8),
    ]
    assert [d.received_us for d in found[1:]] == [1_000_000, 1_000_001]


def test_a_batch_is_acknowledged_in_one_write_in_order() -> None:
    client = FastClient(CallbackAPIVersion.VERSION2, client_id="x", manual_ack=True)
    client._thread = object()  # type: ignore[assignment]
    client.ack_all([1, 513, 2])
    client.ack_all([])
    assert [packet["packet"] for packet in client._out_packet] == [
        b"\x40\x02\x00\x01\x40\x02\x02\x01\x40\x02\x00\x02"
    ]


def test_with_another_version_of_the_library_its_own_reader_takes_over(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    assert client_class() is FastClient, "the version that is locked is one that was tested"
    assert client_class("stock") is StockClient
    monkeypatch.setattr(ingest.reader, "version", lambda _: "2.9.0")
    caplog.set_level("INFO")
    assert client_class() is StockClient
    assert "2.9.0 was not tested with the fast reader" in caplog.text


async def test_while_there_is_no_room_nothing_is_read_and_no_answer_to_a_ping_is_missed() -> None:
    client = FastClient(CallbackAPIVersion.VERSION2, client_id="x", manual_ack=True)
    heap = Heap()
    heap.has_room = lambda: False  # type: ignore[method-assign]
    client.receiver = heap
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    client._sock = ours
    client._ping_t = 1.0
    theirs.sendall(publish(b"t", b"1", 1, 1))
    assert client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS
    assert (heap.found, client._ping_t) == ([], 0.0)
    heap.has_room = lambda: True  # type: ignore[method-assign]
    client.loop_read()
    assert len(heap.found) == 1
    theirs.close()
    client._reset_sockets()
    await asyncio.sleep(0)


def stock(heap: Heap, data: bytes) -> tuple[StockClient, list[int]]:
    """Return a client with bytes at its socket, and the list of how many messages it hands over at once."""
    client = StockClient(CallbackAPIVersion.VERSION2, client_id="x", manual_ack=True)
    client.receiver, counts = heap, []
    receive = heap.receive
    heap.receive = lambda some: (counts.append(len(some)), receive(some))[1]  # type: ignore[method-assign]
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    client._sock = ours
    theirs.sendall(data)
    theirs.close()
    return client, counts


def test_what_the_librarys_own_reader_finds_at_once_is_handed_over_together_up_to_a_bound() -> None:
    heap = Heap()
    client, counts = stock(heap, b"".join(publish(b"t", b"1", 1, mid) for mid in range(1, 251)))
    while client._sock is not None:
        client.loop_read()
    assert counts == [100, 100, 50]
    assert [d.mid for d in heap.found] == list(range(1, 251))
    assert [d.received_us for d in heap.found[:101]] == [*range(1_000_000, 1_000_100), 1_000_000]


def test_large_messages_are_handed_over_before_many_are_held() -> None:
    heap = Heap()
    client, counts = stock(heap, publish(b"t", b"x" * 40_000, 1, 1) * 3)
    for _ in range(3):
        client.loop_read()
    assert counts == [2, 1]
    client._reset_sockets()


def test_messages_before_broken_bytes_are_handed_over() -> None:
    heap = Heap()
    client, counts = stock(heap, publish(b"t", b"1", 1, 1) + b"\x20\xff\xff\xff\xff\xff")
    assert client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS
    assert counts == [1]


def test_the_librarys_own_reader_waits_for_room_until_it_is_to_end() -> None:
    heap = Heap()
    client, counts = stock(heap, publish(b"t", b"1", 1, 1))
    answers = iter([False, False, True])
    heap.has_room = lambda: next(answers)  # type: ignore[method-assign]
    client.loop_read()
    assert (counts, list(answers)) == ([1], [])

    client, counts = stock(Heap(), publish(b"t", b"1", 1, 1))
    client.receiver.has_room = lambda: False  # type: ignore[method-assign]
    client._thread_terminate = True
    assert client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS
    assert counts == []
    client._reset_sockets()


def test_the_librarys_own_reader_acknowledges_in_order_and_nothing_of_the_connection_before() -> None:
    client = StockClient(CallbackAPIVersion.VERSION2, client_id="x", manual_ack=True)
    client.receiver = Heap()
    client._thread = object()  # type: ignore[assignment]
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    client._sock = ours
    client.ack_all([1, 513])
    client.ack_all([])
    client.ack_all([2, 3])
    assert client.want_write(), "the network thread is woken by the first"
    client.loop_write()
    acknowledged = b"\x40\x02\x00\x01\x40\x02\x02\x01\x40\x02\x00\x02\x40\x02\x00\x03"
    assert theirs.recv(1000) == acknowledged

    client.ack_all([4, 5])
    with pytest.raises(ValueError, match="host"):
        client.reconnect()
    assert not client._due
    theirs.close()
    client._reset_sockets()


# --------------------------------------------------------------------------- batches


def stream(sensor_id: int, topic: str, value: str = "", time: str = "") -> Stream:
    return Stream(sensor_id, topic, value, time, 1.0, 0.0, -1e9, 1e9, 1, 0.0, 0.0)


EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
DIRECTORY = Directory(
    (1, 1, 1),
    [
        stream(1, "plain"),
        stream(2, "keys", "/temp", "/at"),
        stream(3, "two", "/a"),
        stream(4, "two", "/b", "/at"),
        stream(5, "deep", "/a/b"),
        stream(6, "index", "/0"),
    ],
)
TIMES = st.sampled_from(
    [
        "2026-09-14T05:00:00Z",
        "2026-09-14T05:00:00.123456+02:00",
        "2026-09-14T05:00:00",
        "x",
        1789362000,
        1789362000.5,
        1789362000123,
        1e300,
        None,
        True,
    ]
)
VALUES = st.sampled_from([1, -2.5, 1e308, 10**400, None, True, "5", [], {}]) | st.floats(
    allow_nan=False, allow_infinity=False
)
OBJECTS = st.dictionaries(
    st.sampled_from(["value", "v", "time", "t", "ts", "temp", "at", "a", "b", "0"]),
    VALUES | TIMES,
    max_size=4,
)
DOCUMENTS = (
    VALUES
    | OBJECTS
    | st.lists(st.tuples(TIMES, VALUES).map(list) | OBJECTS, max_size=4)
    | st.builds(lambda items: {"v": items}, st.lists(st.tuples(TIMES, VALUES).map(list), max_size=3))
)


@settings(max_examples=400, deadline=None)
@given(DOCUMENTS, st.sampled_from(["plain", "keys", "two", "deep", "index", "nobody"]), st.booleans())
def test_a_plain_message_is_read_as_the_one_by_one_decoder_reads_it(
    document: Any, topic: str, retained: bool
) -> None:
    payload = json.dumps(document).encode()
    delivery = Delivery(topic, payload, len(payload), 1789362000_000000, 1, 1, 1, retained)
    (decoded,) = [d for d in BatchDecoder(DIRECTORY).decode([delivery]) if d is not None]
    slow = decoded.again(0)
    if decoded.arrivals:
        assert decoded.arrivals[0].samples == slow.samples
        assert not decoded.columns.places
        return
    columns = decoded.columns
    assert list(slow.faults) == [], "plain is only what has no fault"
    assert [
        (DIRECTORY.streams[place], at_us, value)
        for place, at_us, value in zip(columns.places, columns.at_us, columns.values, strict=True)
    ] == [
        (sample.stream, (sample.at - EPOCH) // timedelta(microseconds=1), sample.value)
        for sample in slow.samples
    ]


FRAGMENTS = st.sampled_from(
    [
        b"[1",
        b"2]",
        b"1,2",
        b'{"v": 1},{"v": 2}',
        b'{"v": [',
        b"]}",
        b'"',
        b"",
        b" ",
        b"[",
        b"]",
        b"\xff",
        b"NaN",
        b"\n3\n",
    ]
)


@settings(max_examples=400, deadline=None)
@given(st.lists(FRAGMENTS | DOCUMENTS.map(lambda document: json.dumps(document).encode()), max_size=8))
def test_messages_are_read_together_as_each_by_itself(payloads: list[bytes]) -> None:
    """Pieces that would make a document between them are as wrong as alone, and leave their neighbours right."""
    deliveries = [
        Delivery("plain", payload, len(payload), 1789362000_000000 + n, 1, 1, 1, False)
        for n, payload in enumerate(payloads)
    ]
    (together,) = [d for d in BatchDecoder(DIRECTORY).decode(deliveries) if d is not None]
    rows: list[tuple[int, int, float, int]] = []
    odd: dict[int, Any] = {}
    for number, delivery in enumerate(deliveries):
        (alone,) = [d for d in BatchDecoder(DIRECTORY).decode([delivery]) if d is not None]
        rows += [
            (place, at_us, value, number)
            for place, at_us, value in zip(
                alone.columns.places, alone.columns.at_us, alone.columns.values, strict=True
            )
        ]
        odd |= {number + n: arrival.faults for n, arrival in alone.arrivals.items()}
    columns = together.columns
    assert list(zip(columns.places, columns.at_us, columns.values, columns.messages, strict=True)) == rows
    assert {number: arrival.faults for number, arrival in together.arrivals.items()} == odd
