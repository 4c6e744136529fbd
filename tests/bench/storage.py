"""What a reading and an hour take on disk, indexes included, on both stores.

Readings are stored in the order in which they arrive, a minute of all sensors after another, as the ingest does.
"""

from __future__ import annotations

import asyncio
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import text

from service.clock import FixedClock
from service.records.conditions import save_hours, save_readings
from service.records.migrate import upgrade
from service.records.partitions import ensure_months
from service.records.store import Store
from service.records.tables import Sensor
from tests.work.conftest import make_place

START = datetime(2025, 3, 1, tzinfo=UTC)
SENSORS = 100
MONTH_MINUTES = 2000


def _bytes(file: Path) -> int:
    return file.stat().st_size


async def _size(store: Store, file: Path | None, table: str) -> int:
    if file is not None:
        async with store.engine.connect() as connection:
            await connection.execute(text("PRAGMA wal_checkpoint(TRUNCATE)"))
        return _bytes(file)
    async with store.read() as uow:
        statement = text(
            "SELECT sum(pg_total_relation_size(relid)) FROM pg_partition_tree(cast(:name AS regclass)) WHERE isleaf"
            if table == "reading"
            else "SELECT pg_total_relation_size(cast(:name AS regclass))"
        )
        return int(await uow.session.scalar(statement, {"name": table}) or 0)


async def _measure(url: str, file: Path | None) -> tuple[float, float]:
    store = Store.open(url)
    try:
        await upgrade(store)
        place = await make_place(store, FixedClock(START), "Farm")
        async with store.write() as uow:
            sensors = [
                Sensor(
                    house_id=place.house.id,
                    zone_id=place.nursery.id,
                    name=f"s{n}",
                    quantity="temp_air_c",
                    unit="degC",
                    topic=f"t{n}",
                )
                for n in range(SENSORS)
            ]
            uow.session.add_all(sensors)
        async with store.write() as uow:
            await ensure_months(uow, START, START + timedelta(days=3))
        before = await _size(store, file, "reading")
        for minute in range(MONTH_MINUTES):
            at = START + timedelta(minutes=minute)
            async with store.write() as uow:
                await save_readings(
                    uow,
                    [{"sensor_id": s.id, "at": at, "value": 20.0 + (minute % 97) / 7} for s in sensors],
                )
        middle = await _size(store, file, "reading")
        hours_before = await _size(store, file, "hour")
        count = 20_000
        async with store.write() as uow:
            await save_hours(
                uow,
                [
                    {
                        "zone_id": place.nursery.id,
                        "at": START + timedelta(hours=n),
                        "temp_mean_c": 20.0 + n % 7 / 3,
                        "temp_min_c": 19.3,
                        "temp_max_c": 22.1,
                        "temp_coverage": 0.98,
                        "light_mol": n % 11 / 7,
                        "light_coverage": 1.0,
                    }
                    for n in range(count)
                ],
            )
        after = await _size(store, file, "hour")
    finally:
        await store.close()
    return (middle - before) / (SENSORS * MONTH_MINUTES), (after - hours_before) / count


def measure(postgresql: str | None) -> dict[str, Any]:
    """Measure, and return the figures under the names they are printed with."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "evenleaf.sqlite3"
        reading, hour = asyncio.run(_measure(f"sqlite+aiosqlite:///{file}", file))
    found = {"sqliteBytesAReading": round(reading, 1), "sqliteBytesAnHour": round(hour, 1)}
    if postgresql:
        reading, hour = asyncio.run(_measure(postgresql, None))
        found |= {"postgresqlBytesAReading": round(reading, 1), "postgresqlBytesAnHour": round(hour, 1)}
    return found
