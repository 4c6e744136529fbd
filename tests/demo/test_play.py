"""Playing keeps to the clock, to the order of facts and to a bounded number of messages in flight."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig

from seed_demo.play import Grower
from seed_demo.publisher import PlayError, Publisher
from seed_demo.scenario import Post
from seed_demo.sensors import Message
from service.clock import FixedClock, SimulatedClock

START = datetime(2026, 8, 3, tzinfo=UTC)


@dataclass
class Api:
    """Answers as the API does and remembers what it was told, and when."""

    clock: Any
    told: list[tuple[datetime, str, dict[str, Any]]] = field(default_factory=list)
    refuse: str = ""

    async def __call__(self, request: httpx.Request) -> httpx.Response:
        await asyncio.sleep(0.001)
        if request.url.path == self.refuse:
            return httpx.Response(422, json={"detail": "it cannot be"})
        self.told.append((self.clock.now(), request.url.path, json.loads(request.content)))
        return httpx.Response(201, json={"id": len(self.told)})

    def client(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(transport=httpx.MockTransport(self), base_url="http://service")


def hour(number: float) -> datetime:
    return START + timedelta(hours=number)


def clock(hours_a_second: float = 20.0) -> SimulatedClock:
    return SimulatedClock(start=START, rate=3600.0 * hours_a_second, anchor=time.time())


def batch(number: int, at: float) -> list[Post]:
    key = f"batch-{number}"
    path = f"/v1/batches/{{{key}}}/entries"
    return [
        Post(hour(at), "/v1/batches", {"cells": 10}, {"successionId": "lettuce"}, key=key, chain=key),
        *(
            Post(hour(at + step), path, {"kind": "leaves_counted", "leaves": step}, chain=key)
            for step in (1, 2, 3)
        ),
    ]


async def test_facts_are_told_in_order_with_ids_and_not_ahead_of_the_clock() -> None:
    shared = clock()
    api = Api(shared)
    posts = sorted(
        (post for number in range(6) for post in batch(number, number % 3)), key=lambda post: post.at
    )
    async with api.client() as http:
        grower = Grower(http)
        await grower.tell(Post(START, "/v1/successions", {"name": "weekly"}, key="lettuce"))
        await grower.follow(posts, shared)

    assert grower.posts == 25
    assert all(body.get("successionId", 1) == 1 for _, _, body in api.told)
    for number in range(6):
        path = f"/v1/batches/{grower.ids[f'batch-{number}']}/entries"
        entries = [(at, body["leaves"]) for at, told, body in api.told if told == path]
        assert [leaves for _, leaves in entries] == [1, 2, 3]
        assert all(at >= hour(number % 3 + leaves) for at, leaves in entries)


async def test_a_refusal_ends_the_playing_and_says_what_was_refused() -> None:
    api = Api(FixedClock(hour(9)), refuse="/v1/batches")
    async with api.client() as http:
        grower = Grower(http)
        grower.ids["lettuce"] = 1
        with pytest.raises(PlayError, match=r"/v1/batches.*422.*it cannot be"):
            await grower.follow(batch(0, 0), FixedClock(hour(9)))


@pytest.fixture
async def broker(unused_tcp_port: int) -> AsyncIterator[str]:
    running = Broker(
        BrokerConfig(
            listeners={"default": ListenerConfig(bind=f"127.0.0.1:{unused_tcp_port}")},
            plugins={"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        )
    )
    await running.start()
    yield f"mqtt://127.0.0.1:{unused_tcp_port}"
    await running.shutdown()


async def test_messages_wait_for_their_time_and_are_all_acknowledged(broker: str) -> None:
    shared = clock(hours_a_second=10.0)
    messages = [Message(hour(0.01 * number), "demo/air", b"[[1, 2.5]]", 1) for number in range(500)]
    publisher = Publisher(broker, mqtt5=False)
    try:
        await asyncio.to_thread(publisher.connect)
        await asyncio.to_thread(publisher.send, messages, shared)
    finally:
        await asyncio.to_thread(publisher.close)

    assert shared.now() >= messages[-1].at
    assert (publisher.messages, publisher.readings) == (500, 500)


async def test_closing_ends_a_wait_for_a_time_that_does_not_come(broker: str) -> None:
    publisher = Publisher(broker, mqtt5=False)
    await asyncio.to_thread(publisher.connect)
    sending = asyncio.create_task(
        asyncio.to_thread(publisher.send, [Message(hour(1), "demo/air", b"1", 1)], FixedClock(START))
    )
    await asyncio.sleep(0.1)
    await asyncio.to_thread(publisher.close)
    await asyncio.wait_for(sending, 5.0)

    assert publisher.messages == 0


async def test_no_broker_is_said(unused_tcp_port: int) -> None:
    publisher = Publisher(f"mqtt://127.0.0.1:{unused_tcp_port}", mqtt5=False)
    with pytest.raises(PlayError, match=f"no broker answers at 127.0.0.1:{unused_tcp_port}"):
        await asyncio.to_thread(publisher.connect)
    publisher.close()


@pytest.mark.parametrize("url", ["http://localhost", "mqtt://", "localhost:1883"])
def test_a_wrong_broker_url_is_refused(url: str) -> None:
    with pytest.raises(PlayError, match="is not mqtt://"):
        Publisher(url, mqtt5=False)
