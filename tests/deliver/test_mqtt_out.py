"""Retained topics: what holds now, cleared when it is gone."""

from __future__ import annotations

import asyncio
import uuid
from datetime import UTC, date, datetime
from typing import Any
from urllib.parse import urlsplit

import pytest

from service.deliver.mqtt_out import MqttOut
from service.deliver.outcome import NotSent
from service.records.store import Store
from service.records.tables import Advice, Notice, Receiver
from service.work.access import SYSTEM
from service.work.errors import Impossible
from service.work.notices import RETAINED
from service.work.notices_retained import keep_retained
from service.work.programme import change_succession
from service.work.receivers import change_receiver, create_receiver
from service.work.receivers_targets import Targets
from tests.deliver.rig import (
    ALLOWED,
    MovingClock,
    Subscriber,
    condition,
    deliverer,
    notices,
    receiver,
    settle,
)
from tests.services import LocalMosquitto
from tests.work.conftest import Place, make_place

pytestmark = pytest.mark.mosquitto

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)


async def advise(store: Store, clock: Any, place: Place, interval: float) -> None:
    """Give advice, as a re-forecast does."""
    async with store.write() as uow:
        uow.session.add(
            Advice(
                succession_id=place.succession.id,
                made_at=clock.now(),
                input_key="x",
                decision="shorten",
                binding="continuity",
                interval_days=7.0,
                advised_interval_days=interval,
                cells_per_seeding=200,
                from_on=date(2026, 9, 17),
                probability=0.9,
                seedings=[{"on": "2026-09-17", "cells": 200}],
                outcome={},
                reasons=["The days shorten."],
            )
        )
        await uow.flush()
        await keep_retained(uow, clock, place.house)


async def test_advice_is_retained_replaced_and_cleared(
    store: Store, moving: MovingClock, place: Place, subscriber: Subscriber
) -> None:
    row, _ = await receiver(store, moving, place, "mqtt", subscriber.prefix)
    sender = deliverer(store, moving, mqtt_url=subscriber.url)
    await advise(store, moving, place, 6.0)
    await settle(store, moving, place, condition())
    async with store.write() as uow:
        await keep_retained(uow, moving, place.house)
    await sender.pass_()
    held = await asyncio.to_thread(subscriber.retained)
    base = f"{place.farm.id}/N1"
    topic = f"{base}/advice/{place.succession.id}"
    assert set(held) == {topic, f"{base}/alerts"}
    told = held[topic]
    assert (told["decision"], told["advisedIntervalDays"], told["from"]) == ("shorten", 6.0, "2026-09-17")
    assert told["seedings"] == [{"on": "2026-09-17", "cells": 200}]
    assert [a["title"] for a in held[f"{base}/alerts"]["alerts"]] == ["Channels: no flow"]

    count = len(await notices(store))
    async with store.write() as uow:
        assert await keep_retained(uow, moving, place.house) == 0  # nothing differs
    assert len(await notices(store)) == count
    await advise(store, moving, place, 5.0)
    await advise(store, moving, place, 4.0)  # before the first was sent: only the last is
    await settle(store, moving, place)
    async with store.write() as uow:
        await keep_retained(uow, moving, place.house)
    assert await sender.pass_() == 2
    held = await asyncio.to_thread(subscriber.retained)
    assert set(held) == {topic}
    assert held[topic]["advisedIntervalDays"] == 4.0

    async with store.write() as uow:
        await change_succession(uow, SYSTEM, place.succession.id, {"active": False})
        await keep_retained(uow, moving, place.house)
    await sender.pass_()
    assert await asyncio.to_thread(subscriber.retained) == {}

    async with store.write() as uow:
        await change_succession(uow, SYSTEM, place.succession.id, {"active": True})
        await keep_retained(uow, moving, place.house)
    await sender.pass_()
    assert set(await asyncio.to_thread(subscriber.retained)) == {topic}
    async with store.write() as uow:
        await change_receiver(uow, moving, SYSTEM, ALLOWED, row.id, {"active": False})
    await sender.pass_()
    await sender.close()
    assert await asyncio.to_thread(subscriber.retained) == {}


async def test_a_broker_that_is_away_gets_it_later(
    store: Store, moving: MovingClock, place: Place, subscriber: Subscriber
) -> None:
    await receiver(store, moving, place, "mqtt", subscriber.prefix)
    await advise(store, moving, place, 6.0)
    away = deliverer(store, moving, mqtt_url="mqtt://127.0.0.1:9")
    await away.pass_()
    await away.close()
    (notice,) = await notices(store)
    assert (notice.state, notice.last_error) == ("waiting", "the broker cannot be reached")
    moving.move(seconds=15)
    sender = deliverer(store, moving, mqtt_url=subscriber.url)
    await sender.pass_()
    await sender.close()
    assert len(await asyncio.to_thread(subscriber.retained)) == 1


def retained_notice(topic: str, interval: float) -> Notice:
    """Return a notice of advice for a topic."""
    return Notice(
        receiver_id=1,
        event_id=uuid.uuid4().hex,
        type=RETAINED,
        source="/farms/1/houses/1",
        subject=topic,
        created_at=NOW,
        due_at=NOW,
        expires_at=NOW,
        data={"advisedIntervalDays": interval},
    )


class StallingWire:
    """Passes bytes between clients and a broker; what clients say can be held back."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self._to = parts.hostname or "", parts.port or 1883
        self._server: asyncio.Server | None = None
        self._passing = asyncio.Event()
        self._passing.set()
        self._tasks: set[asyncio.Task[None]] = set()
        self.url = ""

    async def __aenter__(self) -> StallingWire:
        """Listen."""
        self._server = await asyncio.start_server(self._connected, "127.0.0.1", 0)
        self.url = f"mqtt://127.0.0.1:{self._server.sockets[0].getsockname()[1]}"
        return self

    async def __aexit__(self, *_: object) -> None:
        """Cut all connections."""
        assert self._server is not None
        self._server.close()
        self.cut()

    def stall(self) -> None:
        """Hold back what clients say from now on."""
        self._passing.clear()

    def cut(self) -> None:
        """End all connections, what is held back with them; new ones pass."""
        for task in self._tasks:
            task.cancel()
        self._passing.set()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        from_broker, to_broker = await asyncio.open_connection(*self._to)
        for task in (
            asyncio.create_task(self._pass(reader, to_broker, self._passing)),
            asyncio.create_task(self._pass(from_broker, writer, None)),
        ):
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _pass(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, passing: asyncio.Event | None
    ) -> None:
        try:
            while said := await reader.read(65536):
                if passing is not None:
                    await passing.wait()
                writer.write(said)
                await writer.drain()
        except ConnectionError:
            return
        finally:
            writer.close()


async def test_what_was_not_acknowledged_is_not_sent_after_something_newer(
    subscriber: Subscriber, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.deliver.mqtt_out._ACKNOWLEDGED_S", 0.3)
    topic, beside = f"{subscriber.prefix}/advice/1", f"{subscriber.prefix}/advice/2"
    anybody: Any = None
    async with StallingWire(subscriber.url) as wire:
        one, other = MqttOut(wire.url), MqttOut(subscriber.url)
        await one.send(retained_notice(topic, 7.0), anybody, NOW)
        wire.stall()
        with pytest.raises(NotSent, match="did not acknowledge"):
            await one.send(retained_notice(topic, 6.0), anybody, NOW)
        monkeypatch.setattr("service.deliver.mqtt_out._ACKNOWLEDGED_S", 10.0)
        await other.send(retained_notice(topic, 5.0), anybody, NOW)
        wire.cut()
        # It gets through again, and with it all that it has to say.
        await one.send(retained_notice(beside, 4.0), anybody, NOW)
        await one.close()
        await other.close()
    held = await asyncio.to_thread(subscriber.retained)
    assert {t: told["advisedIntervalDays"] for t, told in held.items()} == {"advice/1": 5.0, "advice/2": 4.0}


async def test_after_the_broker_was_away_it_is_sent_to_again(
    mosquitto_server: LocalMosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    anybody: Any = None
    way = MqttOut(mosquitto_server.url)
    await way.send(retained_notice("out/advice/1", 7.0), anybody, NOW)
    await asyncio.to_thread(mosquitto_server.kill)
    monkeypatch.setattr("service.deliver.mqtt_out._ACKNOWLEDGED_S", 0.3)
    with pytest.raises(NotSent):
        await way.send(retained_notice("out/advice/1", 6.0), anybody, NOW)
    monkeypatch.setattr("service.deliver.mqtt_out._ACKNOWLEDGED_S", 10.0)
    await asyncio.to_thread(mosquitto_server.start)
    await way.send(retained_notice("out/advice/1", 6.0), anybody, NOW)
    await way.close()


@pytest.mark.parametrize(
    ("target", "listens"),
    [
        ("evenleaf", "evenleaf/#"),
        ("evenleaf/out", "evenleaf/#"),
        ("out", "#"),
        ("out/farm", "+/farm/#"),
        ("out", "out/+/+/#"),
        ("a/+", "evenleaf/#"),
        ("$SYS", "evenleaf/#"),
        ("", "evenleaf/#"),
    ],
)
async def test_topics_that_would_come_back_as_readings_are_refused(
    sqlite_store: Store, target: str, listens: str
) -> None:
    clock = MovingClock()
    place = await make_place(sqlite_store, clock, "Birch Farm")  # type: ignore[arg-type]
    values = {"farm_id": place.farm.id, "kind": "mqtt", "name": "Broker", "target": target}
    with pytest.raises(Impossible) as error:
        async with sqlite_store.write() as uow:
            await create_receiver(uow, clock, SYSTEM, Targets(ingest_filter=listens), values)
    assert [p.field for p in error.value.problems] == ["target"]
    async with sqlite_store.write() as uow:
        row, secret = await create_receiver(
            uow, clock, SYSTEM, Targets(), {k: v for k, v in values.items() if k != "target"}
        )
    assert (row.target, secret) == ("evenleaf-out", None)
    assert isinstance(row, Receiver)
