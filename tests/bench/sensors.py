"""Daily light integrals of many sensors read at the API, from minute data, on both databases."""

from __future__ import annotations

import asyncio
import os
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import asyncpg
import httpx
import numpy as np

from service.app import create_app
from service.clock import FixedClock
from service.records.conditions import save_reading_columns, touch_hours
from service.records.days import forget_days
from service.records.migrate import upgrade
from service.records.partitions import ensure_months
from service.records.store import Store
from service.records.tables import Sensor, Zone
from service.settings import Settings
from service.work.access import SYSTEM, first_token
from service.work.imports import settle_all
from service.work.places import create_farm, create_house
from tests import services

START = datetime(2026, 6, 1, tzinfo=UTC)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def measure(sensors: int, days: int, repeats: int) -> dict[str, Any]:
    """Return what was measured, by database."""
    found: dict[str, Any] = {"sensors": sensors, "days": days, "readings": sensors * days * 1440}
    with TemporaryDirectory(prefix="evenleaf-bench-") as folder:
        url = f"sqlite+aiosqlite:///{Path(folder) / 'bench.sqlite3'}"
        found["sqlite"] = asyncio.run(_measure(url, sensors, days, repeats))
    with services.postgresql(os.environ) as server:
        found["postgresql"] = asyncio.run(_on_postgresql(server, sensors, days, repeats))
    return found


async def _on_postgresql(server: str, sensors: int, days: int, repeats: int) -> dict[str, float]:
    address = server.replace("+asyncpg", "")
    name = f"evenleaf_bench_{time.time_ns()}"
    admin = await asyncpg.connect(address)
    try:
        await admin.execute(f"CREATE DATABASE {name}")
        try:
            return await _measure(f"{server.rsplit('/', 1)[0]}/{name}", sensors, days, repeats)
        finally:
            await admin.execute(f"DROP DATABASE {name} WITH (FORCE)")
    finally:
        await admin.close()


async def _measure(url: str, sensors: int, days: int, repeats: int) -> dict[str, float]:
    store = Store.open(url)
    try:
        await upgrade(store)
        clock = FixedClock(START + timedelta(days=days))
        house_id, sensor_ids, zone_ids = await _places(store, clock, sensors)
        async with store.write() as uow:
            await ensure_months(uow, START, clock.now())
        begun = time.perf_counter()
        await _fill(store, sensor_ids, zone_ids, days)
        stored = time.perf_counter()
        await settle_all(store)
        settled = time.perf_counter()
        async with store.write() as uow:
            secret = await first_token(uow, clock)
        last = (START + timedelta(days=days - 1)).date()
        path = f"/v1/houses/{house_id}/days?from={START.date()}&to={last}"
        app = create_app(store, clock, Settings())
        transport = httpx.ASGITransport(app=app)
        headers = {"authorization": f"Bearer {secret}"}
        async with httpx.AsyncClient(transport=transport, base_url="http://bench", headers=headers) as client:
            taken = await _ask(client, path, repeats, sensors * days)
            async with store.write() as uow:
                await forget_days(uow, house_id)
            bare = await _ask(client, path, max(3, repeats // 4), sensors * days)
        return {
            "daysMs": 1e3 * median(taken),
            "daysP95Ms": 1e3 * float(np.quantile(taken, 0.95)),
            "daysFromHoursMs": 1e3 * median(bare),
            "storeS": stored - begun,
            "settleS": settled - stored,
        }
    finally:
        await store.close()


async def _ask(client: httpx.AsyncClient, path: str, repeats: int, rows: int) -> list[float]:
    taken = []
    for _ in range(repeats):
        begun = time.perf_counter()
        answer = await client.get(path)
        taken.append(time.perf_counter() - begun)
        assert answer.status_code == 200, answer.text
        items = answer.json()["items"]
        assert len(items) == rows, (len(items), rows)
        assert all(item["lightCoverage"] > 0.99 for item in items)
    return taken


async def _places(store: Store, clock: FixedClock, sensors: int) -> tuple[int, list[int], list[int]]:
    async with store.write() as uow:
        farm = await create_farm(uow, clock, SYSTEM, {"name": "Bench"})
        values = {"latitude_deg": 52.0, "longitude_deg": 0.0, "time_zone": "UTC"}
        house = await create_house(uow, SYSTEM, {"farm_id": farm.id, "name": "House", "code": "h", **values})
        zones = [
            Zone(house_id=house.id, name=f"Z{n}", code=f"z{n}", kind="channels", capacity=900, plants_m2=25.0)
            for n in range(sensors)
        ]
        uow.session.add_all(zones)
        await uow.flush()
        rows = [
            Sensor(
                house_id=house.id,
                zone_id=zone.id,
                name=f"light {zone.code}",
                quantity="ppfd_umol",
                unit="umol m-2 s-1",
                topic=f"bench/{zone.code}",
                interval_s=60.0,
            )
            for zone in zones
        ]
        uow.session.add_all(rows)
        await uow.flush()
        return house.id, [row.id for row in rows], [zone.id for zone in zones]


async def _fill(store: Store, sensor_ids: list[int], zone_ids: list[int], days: int) -> None:
    """Store a reading a minute of every sensor, and mark the hours."""
    chance = np.random.default_rng(1)
    first_us = int((START - _EPOCH) / timedelta(microseconds=1))
    for day in range(days):
        minutes = np.arange(day * 1440, (day + 1) * 1440 + (day == days - 1))
        at_us = np.repeat(first_us + minutes * 60_000_000, len(sensor_ids))
        ids = np.tile(np.array(sensor_ids, dtype=np.int64), minutes.size)
        course = np.maximum(np.sin((minutes % 1440) / 1440 * 2 * np.pi - np.pi / 2), 0.0) * 800.0
        values = np.repeat(course, len(sensor_ids)) * chance.uniform(0.5, 1.0, ids.size)
        hours = [START + timedelta(days=day, hours=hour) for hour in range(24)]
        async with store.write() as uow:
            await save_reading_columns(uow, ids, at_us, values)
            await touch_hours(uow, [(zone_id, hour) for zone_id in zone_ids for hour in hours])
