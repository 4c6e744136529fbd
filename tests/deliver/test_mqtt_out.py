"""Retained topics: what holds now, cleared when it is gone."""

from __future__ import annotations

import asyncio
from datetime import date
from typing import Any

import pytest

from service.records.store import Store
from service.records.tables import Advice, Receiver
from service.work.access import SYSTEM
from service.work.errors import Impossible
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
from tests.work.conftest import Place, make_place

pytestmark = pytest.mark.mosquitto


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
    store: Store, moving: MovingClock, place: Place, subscriber: Subscriber, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.deliver.mqtt_out._CONNECT_S", 0.3)
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
