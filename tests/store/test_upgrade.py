"""An upgrade keeps every row of every table as it was."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, MetaData, Table, func, insert, select, text, types

from service.records import conditions
from service.records.migrate import upgrade
from service.records.revision import current, head
from service.records.store import Store
from service.records.tables import Batch, Farm, Order, Reading, metadata

FIRST = "0001"
ROWS = 6
READINGS_A_SENSOR = 2000
START = datetime(2026, 3, 30, 21, 17, 5, 250_001, tzinfo=UTC)
EVERY = timedelta(hours=2, minutes=13)  # 2000 of them: half a year

# What the checks of the first tables allow.
WORDS = {
    "zone.kind": ["nursery", "channels"],
    "batch.stage": ["nursery", "channels", "finished"],
    "entry.kind": ["seeded", "emergence_counted", "leaves_counted", "transplanted", "discarded", "harvested"],
    "sensor.sampling": ["instant", "mean", "change", "total"],
    "advice.decision": ["hold", "shorten", "lengthen"],
    "advice.binding": ["continuity", "sites", "window"],
    "alert.severity": ["info", "warning", "urgent"],
}

Rows = dict[str, list[tuple[Any, ...]]]


@pytest.fixture
async def filled_store(empty_store: Store) -> Store:
    """Have a store of the first version with rows in every table, on each of the two databases."""
    await upgrade(empty_store, FIRST)
    async with empty_store.engine.begin() as connection:
        await connection.run_sync(_fill)
    return empty_store


async def test_upgrade_keeps_every_row(filled_store: Store) -> None:
    before = await rows_of(filled_store)
    assert set(before) <= set(metadata.tables)
    assert all(len(rows) >= ROWS for rows in before.values()), {t: len(rows) for t, rows in before.items()}
    assert len(before["reading"]) == ROWS * READINGS_A_SENSOR

    await upgrade(filled_store)
    assert await current(filled_store) == head()
    after = await rows_of(filled_store)
    for table, rows in before.items():
        # Columns that came later stand behind those there were.
        assert [row[: len(rows[0])] for row in after[table]] == rows, table
    assert set(after) == set(metadata.tables)


async def test_what_was_kept_goes_on(filled_store: Store) -> None:
    await upgrade(filled_store)
    async with filled_store.write() as uow:
        farm = Farm(name="The next one", created_at=START)
        uow.session.add(farm)
        await uow.flush()
        assert farm.id == ROWS + 1
        uow.session.add(Order(farm_id=1, crop_id=1, buyer="Market hall", heads=10, dates=[date(2026, 9, 26)]))
        batch = await uow.session.get_one(Batch, 2)
        batch.cells += 1
        version = batch.version
    assert batch.version == version + 1

    corrected, new = START, START + 5000 * EVERY
    async with filled_store.write() as uow:
        rows = [{"sensor_id": 1, "at": at, "value": 99.5} for at in (corrected, new)]
        await conditions.save_readings(uow, rows)
    async with filled_store.read() as uow:
        assert await conditions.readings_count(uow) == ROWS * READINGS_A_SENSOR + 1
        found = await uow.session.scalars(
            select(Reading.at).where(Reading.value == 99.5).order_by(Reading.at)
        )
        assert list(found) == [corrected, new]


@pytest.mark.parametrize(
    "empty_database_url", [pytest.param("postgresql", marks=pytest.mark.postgresql)], indirect=True
)
async def test_readings_lie_in_their_months_on_postgresql(filled_store: Store) -> None:
    await upgrade(filled_store)
    query = (
        "SELECT CAST(tableoid AS regclass)::text, to_char(at AT TIME ZONE 'UTC', '\"reading_\"YYYY_MM'),"
        " count(*) FROM reading GROUP BY 1, 2"
    )
    async with filled_store.read() as uow:
        found = (await uow.session.execute(text(query))).all()
        default = await uow.session.scalar(text("SELECT count(*) FROM reading_default"))
    assert {(partition, count > 0) for partition, _, count in found} == {
        (f"reading_2026_{month:02d}", True) for month in range(3, 11)
    }
    assert all(partition == month for partition, month, _ in found)
    assert default == 0


async def test_upgrade_of_an_empty_store_of_the_first_version(empty_store: Store) -> None:
    await upgrade(empty_store, FIRST)
    await upgrade(empty_store)
    assert await current(empty_store) == head()
    assert not any((await rows_of(empty_store)).values())


# --------------------------------------------------------------------------- helpers


async def rows_of(store: Store) -> Rows:
    """Return all that is stored, as the database itself describes it, in order of the keys."""
    async with store.engine.connect() as connection:
        return await connection.run_sync(_rows)


def _rows(connection: Connection) -> Rows:
    return {
        table.name: [tuple(row) for row in connection.execute(select(table).order_by(*table.primary_key))]
        for table in _tables(connection)
    }


def _tables(connection: Connection) -> list[Table]:
    """Return the tables as they are, whatever this version takes them for; those referred to come first."""
    there = MetaData()
    there.reflect(connection, only=lambda name, _: name in metadata.tables)
    return there.sorted_tables


def _fill(connection: Connection) -> None:
    for table in _tables(connection):
        rows = list(_readings(table) if table.name == "reading" else _made_up(table))
        connection.execute(insert(table), rows)
        assert connection.scalar(select(func.count()).select_from(table)) == len(rows)


def _made_up(table: Table) -> Iterator[dict[str, Any]]:
    """Yield rows that differ in every column; in half of them, what may be null is."""
    for n in range(1, ROWS + 1):
        yield {
            column.name: None if column.nullable and n % 2 == 0 else _value(column, n)
            for column in table.columns
            if column.name != "id"  # the database counts the ids itself, as it did in use
        }


def _readings(table: Table) -> Iterator[dict[str, Any]]:
    at = table.columns["at"]
    for n in range(READINGS_A_SENSOR):
        for sensor_id in range(1, ROWS + 1):
            moment = _moment(at.type, START + n * EVERY)
            yield {"sensor_id": sensor_id, "at": moment, "value": 20.0 + n / 7 + sensor_id}


def _value(column: Any, n: int) -> Any:
    name = f"{column.table.name}.{column.name}"
    if column.foreign_keys:
        return n
    if name in WORDS:
        return WORDS[name][n % len(WORDS[name])]
    made: dict[type[types.TypeEngine[Any]], Any] = {
        types.Boolean: n % 2 == 0,
        types.JSON: {"n": n, "part": n / 7, "nothing": None, "list": ["å", n]},
        types.LargeBinary: bytes([n, 0, 255]),
        types.Float: n / 7,
        types.DateTime: _moment(column.type, START + n * EVERY),
        types.BigInteger: _moment(column.type, START + n * EVERY),
        types.Date: START.date() + timedelta(days=n),
        types.Integer: n,
        types.String: f"{column.name} {n} é",
    }
    return next(value for kind, value in made.items() if isinstance(column.type, kind))


def _moment(kept: types.TypeEngine[Any], moment: datetime) -> datetime | int:
    """Return a moment as the column keeps it: SQLite has whole microseconds since 1970."""
    if isinstance(kept, types.DateTime):
        return moment
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
