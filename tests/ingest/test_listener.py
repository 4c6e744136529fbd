"""The hand-over from the network thread, its bounds, and which acknowledgements go out."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Sequence
from types import SimpleNamespace
from typing import Any

import pytest

from ingest.broker import BrokerHandle
from ingest.listener import BrokerAddress, MqttSource
from ingest.reader import Delivery, FastClient, StockClient
from service.clock import FixedClock
from tests.ingest.rig import NOW, end_session, publish, until

CLOCK = FixedClock(NOW)
ADDRESS = BrokerAddress("127.0.0.1", 1)


class Acknowledged:
    """Stands in for the client."""

    def __init__(self) -> None:
        self.mids: list[int] = []

    def ack_all(self, mids: Sequence[int]) -> None:
        self.mids += mids

    def subscribe(self, *_args: object, **_options: object) -> None:
        pass

    def reconnect_delay_set(self, *_args: object) -> None:
        pass


def arrive(source: MqttSource, mid: int, payload: bytes = b"1", qos: int = 1) -> None:
    """Let a message arrive, as the client does in its thread."""
    while not source.has_room():
        pass
    at, connection = source.stamp()
    source.receive([Delivery("t", payload, len(payload), at, qos, mid, connection, False)])


def connected(source: MqttSource) -> Acknowledged:
    client = Acknowledged()
    source._client = client  # type: ignore[assignment]
    source._on_connect(client, None, None, SimpleNamespace(is_failure=False), None)  # type: ignore[arg-type]
    return client


async def test_messages_come_in_order_and_are_acknowledged_in_order() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    client = connected(source)
    for mid in (3, 1, 2):
        arrive(source, mid)
    arrive(source, 0, qos=0)
    first = await source.take(2)
    second = await source.take(10)
    assert [d.mid for d in first + second] == [3, 1, 2, 0]
    source.ack(first)
    source.ack(second)
    assert client.mids == [3, 1, 2], "a message of QoS 0 is not acknowledged"


async def test_what_came_on_an_older_connection_is_not_acknowledged_on_the_new_one() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    client = connected(source)
    arrive(source, 1)
    old = await source.take(10)
    source._on_disconnect(client, None, None, "lost", None)  # type: ignore[arg-type]
    source.ack(old[:1])
    assert client.mids == []
    connected(source)
    source._client = client  # type: ignore[assignment]
    arrive(source, 1)
    source.ack(await source.take(10))
    assert client.mids == [1]


@pytest.mark.parametrize(
    ("bounds", "payload"), [({"max_waiting": 3}, b"1"), ({"max_waiting_bytes": 250}, b"x" * 100)]
)
async def test_the_network_thread_waits_when_too_much_is_not_acknowledged(
    bounds: dict[str, int], payload: bytes
) -> None:
    source = MqttSource(ADDRESS, "#", CLOCK, **bounds)
    connected(source)
    handed_over = 0

    def network() -> None:
        nonlocal handed_over
        for mid in range(5):
            arrive(source, mid, payload)
            handed_over += 1

    network_thread = asyncio.create_task(asyncio.to_thread(network))
    await asyncio.sleep(0.3)
    assert handed_over == 3
    batch = await source.take(10)
    await asyncio.sleep(0.3)
    assert handed_over == 3, "taken is not yet acknowledged"
    source.ack(batch[:1])
    await asyncio.sleep(0.3)
    assert handed_over == 4
    source.ack(batch[1:])
    await network_thread
    assert len(await source.take(10)) == 2


async def test_a_message_that_comes_alone_is_given_out_at_once_and_those_after_it_in_one_batch() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    connected(source)
    begun = time.monotonic()
    arrive(source, 1)
    assert [d.mid for d in await source.take(1000, 5.0)] == [1]
    assert time.monotonic() - begun < 4.0
    taking = asyncio.create_task(source.take(1000, 0.3))
    await asyncio.sleep(0.02)
    await asyncio.to_thread(arrive, source, 2)
    await asyncio.sleep(0.05)
    assert not taking.done(), "so soon after the last batch more are waited for"
    await asyncio.to_thread(arrive, source, 3)
    assert [d.mid for d in await taking] == [2, 3]


async def test_few_messages_are_read_once_a_batch_and_many_as_they_come(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    source, rests = MqttSource(ADDRESS, "#", CLOCK), list[float]()
    monkeypatch.setattr("ingest.listener.time.sleep", rests.append)
    connected(source)
    arrive(source, 1)
    assert not rests, "one that comes alone is read at once"
    await source.take(16, 0.02)
    arrive(source, 2)
    assert len(rests) == 1
    assert 0.0 < rests[0] <= 0.02, "the next batch is not due before"
    await source.take(16, 0.2)
    assert source.has_room()
    assert rests[-1] <= 0.05, "the network thread has more to do"
    for mid in range(3, 7):
        arrive(source, mid)
    rests.clear()
    await source.take(16, 0.0)  # a quarter of a batch: many
    arrive(source, 7)
    assert not rests


async def test_a_full_batch_is_not_waited_for_and_a_wake_ends_all_waiting() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    connected(source)
    arrive(source, 0)
    assert len(await source.take(1000, 1000.0)) == 1
    for mid in range(10):
        arrive(source, mid)
    assert len(await asyncio.wait_for(source.take(40, 1000.0), 5.0)) == 10, (
        "a part of a batch is many already"
    )
    taking = asyncio.create_task(source.take(20, 1000.0))
    for mid in range(20):
        await asyncio.sleep(0)
        assert not taking.done(), "after many a whole batch is waited for"
        await asyncio.to_thread(arrive, source, mid)
    assert len(await asyncio.wait_for(taking, 5.0)) == 20
    arrive(source, 0)
    assert len(await source.take(1000, 0.1)) == 1, "but only for a while"
    taking = asyncio.create_task(source.take(1000, 0.1))
    await asyncio.sleep(0.02)
    source.wake()
    assert await asyncio.wait_for(taking, 1.0) == []
    arrive(source, 3)
    assert len(await source.take(1000, 1000.0)) == 1, "what came before the end is still given out"
    assert await source.take(1000, 1000.0) == []


async def test_pauses_between_attempts_grow_and_are_not_the_same_for_all() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    pauses: list[float] = []
    client = SimpleNamespace(reconnect_delay_set=lambda low, _: pauses.append(low))
    for _ in range(300):
        source._on_connect_fail(client, None)  # type: ignore[arg-type]
    assert max(pauses[:2]) < 3.0
    assert 30.0 < max(pauses) <= 40.0
    assert min(pauses[100:]) < 10.0, "anything up to the bound"
    source._on_connect(connected(source), None, None, SimpleNamespace(is_failure=False), None)  # type: ignore[arg-type]
    pauses.clear()
    source._on_connect_fail(client, None)  # type: ignore[arg-type]
    assert pauses[0] < 3.0, "once accepted, it begins anew"


@pytest.fixture(params=[FastClient, StockClient])
async def source(broker: BrokerHandle, request: pytest.FixtureRequest) -> AsyncIterator[MqttSource]:
    """Have a running source, once with each make of client."""
    running = MqttSource(
        BrokerAddress.parse(broker.url),
        "test-listener/#",
        CLOCK,
        mqtt5=broker.mqtt5,
        client_id="test-listener",
        client=request.param,
    )
    running.start()
    yield running
    await running.close()
    await asyncio.to_thread(end_session, broker.url, "test-listener")


async def test_the_watch_sees_a_dead_network_thread_and_a_revived_one(
    source: MqttSource, broker: BrokerHandle
) -> None:
    async def is_connected() -> bool:
        return source.connected

    await until(is_connected)
    client = source._client
    assert client is not None
    client._thread_terminate = True  # as if it had ended by an error of paho's own
    await asyncio.to_thread(client._thread.join)  # type: ignore[union-attr]
    assert not source.healthy()
    assert not source.connected
    await source.revive()
    await until(is_connected)
    await asyncio.sleep(0.2)
    assert await asyncio.to_thread(publish, broker.url, [("test-listener/a", b"1")]) == 1
    assert [d.payload for d in await asyncio.wait_for(source.take(1), 5.0)] == [b"1"]


async def test_an_error_in_the_hand_over_does_not_end_the_listener(
    source: MqttSource,
    broker: BrokerHandle,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def is_connected() -> bool:
        return source.connected

    await until(is_connected)
    await asyncio.sleep(0.2)
    receive = source.receive

    def fail_once(received: Any) -> None:
        monkeypatch.setattr(source, "receive", receive)
        raise MemoryError

    monkeypatch.setattr(source, "receive", fail_once)
    assert await asyncio.to_thread(publish, broker.url, [("test-listener/a", b"1")]) == 1
    await asyncio.sleep(0.2)
    assert await asyncio.to_thread(publish, broker.url, [("test-listener/a", b"2")]) == 1
    assert [d.payload for d in await asyncio.wait_for(source.take(1), 5.0)] == [b"2"]
    assert source.healthy()
    assert "could not be handed over" in caplog.text


async def test_closing_is_quick_though_the_broker_is_not_there() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    source.start()
    assert source.healthy()
    assert not source.connected
    await asyncio.sleep(0.1)
    started = time.monotonic()
    await source.close()
    assert time.monotonic() - started < 3.0
