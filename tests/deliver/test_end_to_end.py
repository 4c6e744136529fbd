"""From readings on a broker to what receivers hold: webhook, mail, retained topics, calendar."""

from __future__ import annotations

import asyncio
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest
from icalendar import Calendar
from sqlalchemy import select
from standardwebhooks import Webhook

from ingest.broker import BrokerHandle
from service.app import create_app
from service.records.store import Store
from service.records.tables import Alert, Sensor
from service.settings import Settings
from service.work.access import SYSTEM
from service.work.batches import create_batch
from service.work.calendar_feeds import create_feed
from service.work.places import change_house, change_zone
from service.work.reforecast import Reforecaster
from service.work.watch import Watcher
from tests.deliver.rig import HttpServer, Inbox, MovingClock, Subscriber, deliverer, receiver
from tests.ingest.rig import Site, ingesting, publish, until
from tests.work.conftest import Place

pytestmark = [pytest.mark.mosquitto, pytest.mark.slow]

DARK_FROM = datetime(2026, 5, 10, 6, tzinfo=UTC)
LIT = range(4, 18)


def payload(first: datetime, hours: int, light: float, temp: float) -> bytes:
    """Return an array of hourly samples of light [umol m-2 s-1 while it is day] and temperature."""
    times = [first + timedelta(hours=h) for h in range(hours)]
    return json.dumps(
        [{"time": t.isoformat(), "ppfd": light if t.hour in LIT else 0.0, "temp": temp} for t in times]
    ).encode()


async def test_a_dark_week_reaches_everybody_once(
    store: Store,
    place: Place,
    hook: HttpServer,
    inbox: Inbox,
    subscriber: Subscriber,
) -> None:
    clock = MovingClock(DARK_FROM)
    site = Site(store, place.house.id, place.nursery.id, place.channels.id)
    async with store.write() as uow:
        await change_house(uow, SYSTEM, place.house.id, {"latitude_deg": 45.0})
        await change_zone(uow, SYSTEM, place.nursery.id, {"plants_m2": 800.0})
        for days in (28, 21, 14, 7):
            values = {
                "succession_id": place.succession.id,
                "seeded_on": (DARK_FROM - timedelta(days=days)).date(),
            }
            await create_batch(uow, clock, SYSTEM, values)
        for zone in (place.nursery, place.channels):
            for quantity, unit, pointer in (
                ("temp_air_c", "degC", "/temp"),
                ("ppfd_umol", "umol m-2 s-1", "/ppfd"),
            ):
                uow.session.add(
                    Sensor(
                        house_id=place.house.id,
                        zone_id=zone.id,
                        name=f"{zone.code} {quantity}",
                        quantity=quantity,
                        unit=unit,
                        topic=site.topic(zone.code),
                        value_pointer=pointer,
                        time_pointer="/time",
                        sampling="mean",
                        interval_s=3600.0,
                    )
                )
        _, secret_path = await create_feed(uow, clock, SYSTEM, "Alder", place.farm.id, None)
    _, secret = await receiver(store, clock, place, "webhook", hook.url, alert_kinds=["seeding_interval"])
    await receiver(store, clock, place, "mail", "grower@example.org", alert_kinds=["seeding_interval"])
    await receiver(store, clock, place, "mqtt", subscriber.prefix)
    sender = deliverer(store, clock, inbox=inbox, mqtt_url=subscriber.url)
    reforecaster, watcher = Reforecaster(store, clock, 10, 90), Watcher(store, clock)
    calendars: list[dict[str, Any]] = []
    broker = BrokerHandle(subscriber.url, "external", mqtt5=True, redelivers=True)

    async def measured(first: datetime, hours: int, light: float) -> None:
        before = await site.readings()
        message = payload(first, hours, light, 20.0)
        topics = [(site.topic(zone.code), message) for zone in (place.nursery, place.channels)]
        await asyncio.to_thread(publish, subscriber.url, topics)

        async def stored() -> bool:
            return await site.readings() >= before + 4 * hours and await site.settled()

        await until(stored, timeout_s=120.0)

    async def day_passes() -> None:
        await reforecaster.house(place.house.id)
        await watcher.house(place.house.id)
        await sender.pass_()
        answer = await _read(store, clock, f"/calendars/{secret_path}.ics")
        calendars.append({str(e["uid"]): e for e in Calendar.from_ical(answer).walk("VEVENT")})

    async with ingesting(site, clock, broker):
        await measured(DARK_FROM - timedelta(days=30), 720, 357.0)  # 18 mol a day
        await day_passes()
        assert hook.calls == []
        for day in range(10):
            clock.move(days=1)
            await measured(clock.now() - timedelta(days=1), 24, 60.0)  # 3 mol a day
            if day >= 7:
                await day_passes()
    await sender.close()

    async with store.read() as uow:
        alerts = (await uow.session.scalars(select(Alert).where(Alert.kind == "seeding_interval"))).all()
    (alert,) = alerts
    assert alert.closed_at is None
    (call,) = [c for c in hook.calls if c.event["type"] == "evenleaf.alert.opened"]
    event = Webhook(secret).verify(call.body, call.headers)
    assert (event["specversion"], event["data"]["id"]) == ("1.0", alert.id)
    (mail,) = inbox.mails
    assert str(mail["subject"]) == f"{event['data']['title']} ({place.house.name})"
    held = await asyncio.to_thread(subscriber.retained)
    advice = held[f"{place.farm.id}/N1/advice/{place.succession.id}"]
    assert advice["decision"] == alert.evidence["decision"] != "hold"
    assert len(held[f"{place.farm.id}/N1/forecast"]["batches"]) == 4
    first, last = calendars[0], calendars[-1]
    # Work comes and goes with the dates; what is forecast of a batch stays, under its own name.
    expected = {uid for uid in first if uid.startswith(("transplant-", "harvest-"))}
    assert len(expected) == 8
    assert expected <= last.keys()
    moved = [uid for uid in first.keys() & last.keys() if first[uid]["dtstart"].dt != last[uid]["dtstart"].dt]
    assert expected <= set(moved)
    for uid in moved:
        assert last[uid]["sequence"] > first[uid]["sequence"]


async def _read(store: Store, clock: Any, path: str) -> bytes:
    app = create_app(store, clock, Settings())
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://test") as client:
        answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    return answer.content
