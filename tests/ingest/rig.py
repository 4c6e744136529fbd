"""A farm with sensors, a publisher, and ingest running between a broker and a store."""

from __future__ import annotations

import asyncio
import time
import uuid
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from ingest.broker import BrokerHandle
from ingest.command import run_ingest
from ingest.listener import BrokerAddress
from service.clock import Clock
from service.records.conditions import dead_letters_page, hours_between, readings_count, touched_hours_left
from service.records.store import Store
from service.records.tables import DeadLetter, Farm, Hour, House, Sensor, Zone
from service.settings import Settings

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)
_EVER = (datetime(1990, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC))


@dataclass
class Site:
    """A house with a nursery and channels, and topics that nobody else uses."""

    store: Store
    house_id: int
    nursery_id: int
    channels_id: int
    prefix: str = field(default_factory=lambda: f"test-{uuid.uuid4().hex[:12]}")

    @property
    def settings(self) -> Settings:
        """Settings that listen to these topics."""
        return Settings(mqtt_topic=f"{self.prefix}/#")

    def topic(self, name: str) -> str:
        """Return a topic under the prefix."""
        return f"{self.prefix}/{name}"

    async def sensor(self, name: str, quantity: str = "temp_air_c", unit: str = "degC", **more: Any) -> int:
        """Add a sensor that listens to the topic of its name, unless told otherwise."""
        values = {"zone_id": self.nursery_id, "topic": self.topic(name), "interval_s": 300.0, **more}
        async with self.store.write() as uow:
            row = Sensor(house_id=self.house_id, name=name, quantity=quantity, unit=unit, **values)
            uow.session.add(row)
            await uow.flush()
            return row.id

    async def readings(self) -> int:
        """Return how many readings are stored."""
        async with self.store.read() as uow:
            return await readings_count(uow)

    async def hours(self, zone_id: int | None = None) -> dict[datetime, Hour]:
        """Return the hours of a zone, the nursery unless told otherwise."""
        async with self.store.read() as uow:
            rows = await hours_between(uow, [zone_id or self.nursery_id], *_EVER)
            return {row.at: row for row in rows}

    async def dead_letters(self) -> list[DeadLetter]:
        """Return all dead letters, oldest first."""
        async with self.store.read() as uow:
            return list(reversed(await dead_letters_page(uow, limit=100_000)))

    async def settled(self) -> bool:
        """Whether no touched hour waits."""
        async with self.store.read() as uow:
            return await touched_hours_left(uow) == 0


async def make_site(store: Store) -> Site:
    """Make a farm with one house of two zones."""
    async with store.write() as uow:
        farm = Farm(name="Farm", created_at=NOW)
        uow.session.add(farm)
        await uow.flush()
        house = House(farm_id=farm.id, name="House", code="h1", latitude_deg=50.0, longitude_deg=8.0)
        uow.session.add(house)
        await uow.flush()
        nursery = Zone(
            house_id=house.id, name="Nursery", code="n", kind="nursery", capacity=2000, plants_m2=800.0
        )
        channels = Zone(
            house_id=house.id, name="Channels", code="c", kind="channels", capacity=900, plants_m2=25.0
        )
        uow.session.add_all([nursery, channels])
        await uow.flush()
        return Site(store, house.id, nursery.id, channels.id)


@asynccontextmanager
async def ingesting(site: Site, clock: Clock, broker: BrokerHandle, **changes: Any) -> AsyncIterator[None]:
    """Run ingest; on leaving it is stopped the clean way and its session with the broker ended."""
    client_id = f"{site.prefix}-ingest"
    stop = asyncio.Event()
    running = asyncio.create_task(
        run_ingest(
            site.store,
            clock,
            replace(site.settings, **changes),
            stop,
            url=broker.url,
            mqtt5=broker.mqtt5,
            client_id=client_id,
        )
    )
    try:
        await has_subscribed(site, broker, running)
        yield
    finally:
        stop.set()
        await running
        await asyncio.to_thread(end_session, broker.url, client_id)


async def has_subscribed(site: Site, broker: BrokerHandle, running: asyncio.Task[None]) -> None:
    """Wait until a message gets through, which then is an unknown topic and no reading."""

    async def through() -> bool:
        if running.done():
            await running
        await asyncio.to_thread(publish, broker.url, [(site.topic("probe"), b"0")])
        return bool(await site.dead_letters())

    await until(through, pause_s=0.1)
    await asyncio.sleep(0.2)
    async with site.store.write() as uow:
        for letter in await dead_letters_page(uow):
            await uow.session.delete(letter)


def publish(url: str, messages: Iterable[tuple[str, bytes]], qos: int = 1) -> int:
    """Publish as a device does; return how many messages the broker acknowledged."""
    address = BrokerAddress.parse(url)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
    client.max_inflight_messages_set(500)
    client.connect(address.host, address.port)
    client.loop_start()
    try:
        sent = [client.publish(topic, payload, qos=qos) for topic, payload in messages]
        for info in sent:
            info.wait_for_publish(timeout=60.0)
        return sum(info.is_published() for info in sent)
    finally:
        client.disconnect()
        client.loop_stop()


def end_session(url: str, client_id: str) -> None:
    """Let the broker forget a client."""
    address = BrokerAddress.parse(url)
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTProtocolVersion.MQTTv311,
        clean_session=True,
    )
    client.connect(address.host, address.port)
    client.loop_start()
    deadline = time.monotonic() + 5.0
    while not client.is_connected() and time.monotonic() < deadline:
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()


async def until(
    condition: Callable[[], Awaitable[bool]], timeout_s: float = 30.0, pause_s: float = 0.05
) -> None:
    """Wait until a condition holds; fail if it does not in time."""
    deadline = time.monotonic() + timeout_s
    while not await condition():
        assert time.monotonic() < deadline, f"not within {timeout_s:g} s"
        await asyncio.sleep(pause_s)


@dataclass
class Expected:
    """One hour, computed the slow way."""

    integral: float = 0.0
    covered_s: float = 0.0
    low: float = float("inf")
    high: float = float("-inf")


def hours_of_instants(
    samples: Sequence[tuple[datetime, float]], longest_gap: timedelta
) -> dict[datetime, Expected]:
    """Sum straight lines between samples by hour, one piece after the other."""
    hours: dict[datetime, Expected] = {}
    ordered = sorted(dict(samples).items())
    for (start, first), (end, last) in pairwise(ordered):
        if end - start > longest_gap:
            continue

        def value(
            at: datetime, start: datetime = start, end: datetime = end, a: float = first, b: float = last
        ) -> float:
            return a + (b - a) * ((at - start) / (end - start))

        low = start
        while low < end:
            hour = low.replace(minute=0, second=0, microsecond=0)
            high = min(end, hour + timedelta(hours=1))
            expected = hours.setdefault(hour, Expected())
            seconds = (high - low).total_seconds()
            expected.integral += (value(low) + value(high)) / 2 * seconds
            expected.covered_s += seconds
            expected.low = min(expected.low, value(low), value(high))
            expected.high = max(expected.high, value(low), value(high))
            low = high
    return hours
