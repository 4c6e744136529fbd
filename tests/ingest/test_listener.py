"""The hand-over from the network thread, its bounds, and which acknowledgements go out."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from types import SimpleNamespace
from typing import Any

import pytest

from ingest.broker import BrokerHandle
from ingest.listener import BrokerAddress, MqttSource
from service.clock import FixedClock
from tests.ingest.rig import NOW, end_session, publish, until

CLOCK = FixedClock(NOW)
ADDRESS = BrokerAddress("127.0.0.1", 1)


class Acknowledged:
    """Stands in for paho's client."""

    def __init__(self) -> None:
        self.mids: list[int] = []

    def ack(self, mid: int, qos: int) -> None:
        assert qos == 1
        self.mids.append(mid)

    def subscribe(self, *_args: object, **_options: object) -> None:
        pass


def message(mid: int, payload: bytes = b"1", qos: int = 1) -> Any:
    return SimpleNamespace(topic="t", payload=payload, qos=qos, mid=mid, retain=False)


def connected(source: MqttSource) -> Acknowledged:
    client = Acknowledged()
    source._client = client  # type: ignore[assignment]
    source._on_connect(client, None, None, SimpleNamespace(is_failure=False), None)  # type: ignore[arg-type]
    return client


async def test_messages_come_in_order_and_are_acknowledged_in_order() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    client = connected(source)
    for mid in (3, 1, 2):
        source._hand_over(message(mid))
    source._hand_over(message(0, qos=0))
    first = await source.take(2)
    second = await source.take(10)
    assert [d.mid for d in first + second] == [3, 1, 2, 0]
    source.ack(first)
    source.ack(second)
    assert client.mids == [3, 1, 2], "a message of QoS 0 is not acknowledged"


async def test_what_came_on_an_older_connection_is_not_acknowledged_on_the_new_one() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    client = connected(source)
    source._hand_over(message(1))
    old = await source.take(10)
    source._on_disconnect(client, None, None, "lost", None)  # type: ignore[arg-type]
    source.ack(old[:1])
    assert client.mids == []
    connected(source)
    source._client = client  # type: ignore[assignment]
    source._hand_over(message(1))
    source.ack(await source.take(10))
    assert client.mids == [1]


@pytest.mark.parametrize(
    ("bounds", "payload"), [({"max_waiting": 3}, b"1"), ({"max_waiting_bytes": 300}, b"x" * 100)]
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
            source._hand_over(message(mid, payload))
            handed_over += 1

    network_thread = asyncio.create_task(asyncio.to_thread(network))
    await asyncio.sleep(0.1)
    assert handed_over == 3
    batch = await source.take(10)
    await asyncio.sleep(0.1)
    assert handed_over == 3, "taken is not yet acknowledged"
    source.ack(batch[:1])
    await asyncio.sleep(0.1)
    assert handed_over == 4
    source.ack(batch[1:])
    await network_thread
    assert len(await source.take(10)) == 2


async def test_only_the_first_part_of_an_oversized_message_is_held() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    connected(source)
    source._hand_over(message(1, b"x" * 300_000))
    (delivery,) = await source.take(10)
    assert (len(delivery.payload), delivery.size_bytes) == (4096, 300_000)


async def test_waiting_ends_with_the_first_message_a_linger_gathers_more_and_a_wake_ends_it() -> None:
    source = MqttSource(ADDRESS, "#", CLOCK)
    connected(source)
    taking = asyncio.create_task(source.take(1000, 0.1))
    await asyncio.sleep(0.02)
    await asyncio.to_thread(source._hand_over, message(1))
    await asyncio.sleep(0.02)
    await asyncio.to_thread(source._hand_over, message(2))
    assert [d.mid for d in await taking] == [1, 2]
    taking = asyncio.create_task(source.take(1000, 0.1))
    await asyncio.sleep(0.02)
    source.wake()
    assert await asyncio.wait_for(taking, 1.0) == []
    source._hand_over(message(3))
    assert len(await source.take(1000, 0.1)) == 1, "what came before the end is still given out"
    assert await source.take(1000, 0.1) == []


@pytest.fixture
async def source(broker: BrokerHandle) -> AsyncIterator[MqttSource]:
    running = MqttSource(
        BrokerAddress.parse(broker.url),
        "test-listener/#",
        CLOCK,
        mqtt5=broker.mqtt5,
        client_id="test-listener",
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
    hand_over = source._hand_over

    def fail_once(received: Any) -> None:
        monkeypatch.setattr(source, "_hand_over", hand_over)
        raise MemoryError

    monkeypatch.setattr(source, "_hand_over", fail_once)
    assert (
        await asyncio.to_thread(publish, broker.url, [("test-listener/a", b"1"), ("test-listener/a", b"2")])
        == 2
    )
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
