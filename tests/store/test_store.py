"""Transactions, optimistic locking, the one open alert and the upsert, on both databases."""

from __future__ import annotations

import asyncio
import math
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm.exc import StaleDataError

from service.records.store import Store, UnitOfWork, upsert
from service.records.tables import Alert, Farm, House, Reading, Sensor, TouchedHour, Zone
from tests.conftest import open_store

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)


# --------------------------------------------------------------------------- transactions


async def test_write_that_fails_leaves_nothing(store: Store) -> None:
    async def add_and_fail() -> None:
        async with store.write() as uow:
            await add_house(uow)
            raise LookupError

    with pytest.raises(LookupError):
        await add_and_fail()
    async with store.read() as uow:
        assert await uow.session.scalar(select(func.count()).select_from(Farm)) == 0


async def test_reading_unit_of_work_stores_nothing(store: Store) -> None:
    async with store.read() as uow:
        await add_house(uow)
    async with store.read() as uow:
        assert await uow.session.scalar(select(func.count()).select_from(Farm)) == 0


@pytest.mark.postgresql
@pytest.mark.parametrize("rested_s", [0.0, math.inf])
async def test_a_connection_that_was_cut_is_not_lent_again(
    postgresql_url: str, monkeypatch: pytest.MonkeyPatch, rested_s: float
) -> None:
    monkeypatch.setattr("service.records.store.RESTED_S", rested_s)
    async with open_store(postgresql_url) as store, open_store(postgresql_url) as other:
        async with store.read() as uow:
            before = await uow.session.scalar(select(func.pg_backend_pid()))
        async with store.read() as uow:
            assert await uow.session.scalar(select(func.pg_backend_pid())) == before
        async with other.read() as uow:
            await uow.session.execute(select(func.pg_terminate_backend(before)))
            await asyncio.sleep(0.1)
        async with store.read() as uow:
            assert await uow.session.scalar(select(func.pg_backend_pid())) != before


async def test_writers_that_read_first_lose_nothing(store: Store) -> None:
    async with store.write() as uow:
        farm = Farm(name="0", created_at=NOW)
        uow.session.add(farm)
        await uow.flush()
        number = farm.id

    async def count_up(times: int) -> None:
        for _ in range(times):
            async with store.write() as uow:
                query = select(Farm.name).where(Farm.id == number).with_for_update()
                name = await uow.session.scalar(query)
                assert name is not None
                await asyncio.sleep(0)  # let the others in between reading and writing
                await uow.session.execute(
                    update(Farm).where(Farm.id == number).values(name=str(int(name) + 1))
                )

    await asyncio.gather(*(count_up(10) for _ in range(4)))
    async with store.read() as uow:
        assert await uow.session.scalar(select(Farm.name)) == "40"


async def test_row_changed_by_someone_else_is_noticed(store: Store) -> None:
    async with store.write() as uow:
        house = await add_house(uow)
    assert house.version == 1

    async with store.write() as uow:
        mine = await uow.session.get_one(House, house.id)
        mine.name = "North house"
    assert mine.version == 2

    house.name = "South house"  # still holds version 1
    with pytest.raises(StaleDataError):
        async with store.write() as uow:
            uow.session.add(house)
    async with store.read() as uow:
        assert await uow.session.scalar(select(House.name)) == "North house"


# --------------------------------------------------------------------------- constraints


async def test_one_open_alert_for_a_kind_and_subject(store: Store) -> None:
    async with store.write() as uow:
        house_id = (await add_house(uow)).id
        uow.session.add(alert(house_id))
        uow.session.add(alert(house_id, subject="succession:2"))
        uow.session.add(alert(house_id, closed_at=NOW))
        uow.session.add(alert(house_id, closed_at=NOW))
    with pytest.raises(IntegrityError):
        async with store.write() as uow:
            uow.session.add(alert(house_id))
    async with store.write() as uow:
        closing = update(Alert).where(Alert.closed_at.is_(None)).values(closed_at=NOW)
        await uow.session.execute(closing)
        uow.session.add(alert(house_id))
    async with store.read() as uow:
        assert await uow.session.scalar(select(func.count()).select_from(Alert)) == 5


async def test_value_outside_a_list_is_refused(store: Store) -> None:
    async with store.write() as uow:
        house_id = (await add_house(uow)).id
    with pytest.raises(IntegrityError, match="ck_zone_kind"):
        async with store.write() as uow:
            uow.session.add(zone(house_id, kind="attic"))


async def test_house_without_its_farm_is_refused(store: Store) -> None:
    with pytest.raises(IntegrityError):
        async with store.write() as uow:
            uow.session.add(House(farm_id=99, name="A", code="a", latitude_deg=0.0, longitude_deg=0.0))


# --------------------------------------------------------------------------- upsert


async def test_upsert_inserts_overwrites_and_keeps_the_last_of_a_batch(store: Store) -> None:
    sensor_id = await add_sensor(store)

    async def store_readings(*values: tuple[int, float]) -> None:
        async with store.write() as uow:
            rows = [{"sensor_id": sensor_id, "at": NOW + timedelta(minutes=m), "value": v} for m, v in values]
            await upsert(uow, Reading.__table__, rows, key=["sensor_id", "at"], update=["value"])

    await store_readings((0, 1.0), (1, 2.0))
    await store_readings((1, 3.0), (2, 4.0), (2, 5.0))  # one known, one twice in the same batch
    async with store.read() as uow:
        query = select(Reading.at, Reading.value).order_by(Reading.at)
        found = [(at, value) for at, value in await uow.session.execute(query)]
    assert found == [(NOW + timedelta(minutes=m), v) for m, v in ((0, 1.0), (1, 3.0), (2, 5.0))]


async def test_upsert_without_update_leaves_what_is_there(store: Store) -> None:
    sensor_id = await add_sensor(store)
    for value in (1.0, 2.0):
        async with store.write() as uow:
            row = {"sensor_id": sensor_id, "at": NOW, "value": value}
            await upsert(uow, Reading.__table__, [row], key=["sensor_id", "at"], update=[])
    async with store.read() as uow:
        assert list(await uow.session.scalars(select(Reading.value))) == [1.0]


async def test_upsert_with_an_expression_counts(store: Store) -> None:
    async with store.write() as uow:
        house = await add_house(uow)
        row = zone(house.id)
        uow.session.add(row)
        await uow.flush()
        zone_id = row.id

    async def touch(times: int) -> None:
        async with store.write() as uow:
            rows = [{"zone_id": zone_id, "at": NOW, "times": 1}] * times
            more = {"times": TouchedHour.times + 1}
            await upsert(uow, TouchedHour.__table__, rows, key=["zone_id", "at"], update=more)

    await asyncio.gather(*(touch(3) for _ in range(4)))
    async with store.read() as uow:
        assert list(await uow.session.scalars(select(TouchedHour.times))) == [12]


async def test_upsert_of_nothing_does_nothing(store: Store) -> None:
    async with store.write() as uow:
        await upsert(uow, Reading.__table__, [], key=["sensor_id", "at"], update=["value"])
    async with store.read() as uow:
        assert await uow.session.scalar(select(func.count()).select_from(Reading)) == 0


# --------------------------------------------------------------------------- rows


async def add_house(uow: UnitOfWork) -> House:
    farm = Farm(name="Lowfield", created_at=NOW)
    uow.session.add(farm)
    await uow.flush()
    house = House(farm_id=farm.id, name="House", code="h1", latitude_deg=52.0, longitude_deg=4.3)
    uow.session.add(house)
    await uow.flush()
    return house


async def add_sensor(store: Store) -> int:
    async with store.write() as uow:
        house = await add_house(uow)
        sensor = Sensor(
            house_id=house.id, name="T", quantity="temp_air_c", unit="degC", topic="evenleaf/h1/t"
        )
        uow.session.add(sensor)
        await uow.flush()
        return sensor.id


def zone(house_id: int, kind: str = "nursery") -> Zone:
    return Zone(house_id=house_id, name="Nursery", code="n", kind=kind, capacity=400, plants_m2=400.0)


def alert(house_id: int, **changes: Any) -> Alert:
    given: dict[str, Any] = {
        "kind": "interval",
        "subject": "succession:1",
        "severity": "warning",
        "title": "Seed closer together",
        "detail": "The crop is getting slower.",
        "next_step": "Shorten the interval to 6 days.",
        "evidence": {},
        "opened_at": NOW,
        "updated_at": NOW,
    }
    return Alert(house_id=house_id, **{**given, **changes})
