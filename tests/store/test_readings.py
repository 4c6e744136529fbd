"""Readings are stored a few or many at a time, once each, and only of sensors that are there."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from service.records.conditions import Refused, readings_count, save_reading_columns
from service.records.store import Store
from tests.ingest.rig import make_site

FIRST_US = 1_789_362_000_000_000
FEW, MANY = 7, 1300  # many go another way on PostgreSQL


def rows(sensor_id: int, count: int, value: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return (
        np.full(count, sensor_id, dtype=np.int64),
        FIRST_US + 1_500_001 * np.arange(count, dtype=np.int64),
        value + np.arange(count) / 8,
    )


async def kept(store: Store) -> dict[int, float]:
    """Return values by time, in microseconds after the first."""
    at_us = "CAST(extract(epoch FROM at) * 1000000 AS bigint)" if store.dialect == "postgresql" else "at"
    async with store.read() as uow:
        found = await uow.session.execute(text(f"SELECT {at_us}, value FROM reading"))
        return {int(at) - FIRST_US: value for at, value in found}


@pytest.mark.parametrize("count", [FEW, MANY])
@pytest.mark.parametrize("overwrite", [True, False])
async def test_what_comes_again_is_there_once(store: Store, count: int, overwrite: bool) -> None:
    site = await make_site(store)
    sensor_id = await site.sensor("air")
    async with store.write() as uow:
        await save_reading_columns(uow, *rows(sensor_id, count - 2, 20.0))
    async with store.write() as uow:
        await save_reading_columns(uow, *rows(sensor_id, count, 5.0), overwrite=overwrite)
    _, at_us, values = rows(sensor_id, count, 5.0)
    wanted = dict(zip((at_us - FIRST_US).tolist(), values.tolist(), strict=True))
    if not overwrite:
        _, at_us, values = rows(sensor_id, count - 2, 20.0)
        wanted |= dict(zip((at_us - FIRST_US).tolist(), values.tolist(), strict=True))
    assert await kept(store) == wanted


@pytest.mark.parametrize("count", [FEW, MANY])
async def test_a_sensor_that_is_not_there_is_refused(store: Store, count: int) -> None:
    site = await make_site(store)
    sensor_id = await site.sensor("air")
    ids, at_us, values = rows(sensor_id, count, 20.0)
    ids[-1] = sensor_id + 1
    refused = Refused if store.dialect == "postgresql" else IntegrityError
    with pytest.raises(refused):
        async with store.write() as uow:
            await save_reading_columns(uow, ids, at_us, values)
    async with store.read() as uow:
        assert await readings_count(uow) == 0


async def test_a_sensor_that_has_readings_is_not_removed(store: Store) -> None:
    site = await make_site(store)
    used, idle = await site.sensor("air"), await site.sensor("roof")
    async with store.write() as uow:
        await save_reading_columns(uow, *rows(used, FEW, 20.0))
    removal = "DELETE FROM sensor WHERE id = :id"
    with pytest.raises(IntegrityError):
        async with store.write() as uow:
            await uow.session.execute(text(removal), {"id": used})
    async with store.write() as uow:
        await uow.session.execute(text(removal), {"id": idle})
    async with store.read() as uow:
        assert (await uow.session.scalars(text("SELECT id FROM sensor"))).all() == [used]


async def test_a_sensor_is_not_removed_under_a_batch_that_is_being_stored(postgresql_store: Store) -> None:
    store = postgresql_store
    sensor_id = await (await make_site(store)).sensor("air")

    async def remove() -> None:
        async with store.write() as uow:
            await uow.session.execute(text("DELETE FROM sensor WHERE id = :id"), {"id": sensor_id})

    async with store.write() as uow:
        await save_reading_columns(uow, *rows(sensor_id, MANY, 20.0))
        removal = asyncio.create_task(remove())
        await asyncio.sleep(0.2)
        assert not removal.done(), "it waits for the batch"
    with pytest.raises(IntegrityError):
        await removal
