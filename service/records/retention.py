"""Dropping old readings: by month on PostgreSQL, some hours at a time on SQLite."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import cast

from sqlalchemy import Table, bindparam, select, text

from service.records.partitions import month_after, month_of
from service.records.store import UnitOfWork, upsert
from service.records.tables import Retention, TouchedHour
from service.records.types import UtcDateTime

_retention = cast(Table, Retention.__table__)
_touched = cast(Table, TouchedHour.__table__)
_MONTH = re.compile(r"reading_(\d{4})_(\d{2})")
_SPAN_ON_SQLITE = timedelta(hours=6)
_REACH = timedelta(days=5)  # further than a sample can bear on: four intervals of a day


@dataclass(frozen=True)
class Bite:
    """What was dropped in one transaction."""

    readings: int
    done: bool


_THIN = """
    INSERT INTO sensor_hour (sensor_id, at, mean, minimum, maximum, readings)
    SELECT sensor_id, {hour}, avg(value), min(value), max(value), count(*)
    FROM {table} WHERE at >= :start AND at < :end GROUP BY sensor_id, {hour}
    ON CONFLICT (sensor_id, at) DO UPDATE SET
        mean = (sensor_hour.mean * sensor_hour.readings + excluded.mean * excluded.readings)
            / (sensor_hour.readings + excluded.readings),
        minimum = CASE WHEN excluded.minimum < sensor_hour.minimum
            THEN excluded.minimum ELSE sensor_hour.minimum END,
        maximum = CASE WHEN excluded.maximum > sensor_hour.maximum
            THEN excluded.maximum ELSE sensor_hour.maximum END,
        readings = sensor_hour.readings + excluded.readings
"""
_HOUR_OF = {"postgresql": "date_trunc('hour', at)", "sqlite": "at / 3600000000 * 3600000000"}
_LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


async def drop_some(uow: UnitOfWork, before: datetime) -> Bite | None:
    """Drop a part of the readings of before a moment, rounded down to a whole month or day, in this transaction.

    First of all nobody else stores readings any more, and from then on it is written down that they are kept from
    the later moment only. None: hours wait to be computed from what would go; compute them and come back.
    """
    if uow.dialect == "postgresql":
        return await _drop_month(uow, before)
    return await _drop_hours(uow, before)


async def _drop_month(uow: UnitOfWork, before: datetime) -> Bite | None:
    last = month_of(before)
    parts = sorted(
        (date(int(found[1]), int(found[2]), 1), name)
        for name in await uow.session.scalars(
            text(
                "SELECT relname FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid"
                " WHERE inhparent = 'reading'::regclass"
            )
        )
        if (found := _MONTH.fullmatch(name))
    )
    old = [(month, name) for month, name in parts if month < last]
    stray = await uow.session.scalar(text("SELECT min(at) FROM reading_default"))
    end = _begin(last)
    if not old and (stray is None or stray >= end):
        return Bite(0, True)
    # Rather give up and try again later than have everybody queue behind us. In the order in which who stores readings
    # takes them; dropping a table that refers to the sensors locks those as a whole.
    await uow.session.execute(text("SET LOCAL lock_timeout = '2s'"))
    await uow.session.execute(text("LOCK TABLE sensor IN ACCESS EXCLUSIVE MODE"))
    await uow.session.execute(text("LOCK TABLE ONLY reading IN ACCESS EXCLUSIVE MODE"))
    if old:
        month, name = old[0]
        start, end = _begin(month), _begin(month_after(month))
        if await _waiting(uow, end):
            return None
        await _thin(uow, name, start, end)
        count = int(await uow.session.scalar(text(f"SELECT count(*) FROM {name}")) or 0)  # noqa: S608
        await uow.session.execute(text(f"ALTER TABLE reading DETACH PARTITION {name}"))
        await uow.session.execute(text(f"DROP TABLE {name}"))
        # An earlier month may be in the default partition still.
        await _write_down(uow, end)
        return Bite(count, False)
    if await _waiting(uow, end):
        return None
    await _thin(uow, "reading_default", _LONG_AGO, end)
    count = await _delete(uow, "reading_default", _LONG_AGO, end)
    await _write_down(uow, end)
    return Bite(count, True)


async def _drop_hours(uow: UnitOfWork, before: datetime) -> Bite | None:
    last = before.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    oldest = await uow.session.scalar(text("SELECT min(at) AS at FROM reading").columns(at=UtcDateTime()))
    if oldest is None or oldest >= last:
        return Bite(0, True)
    end = min(last, oldest.replace(minute=0, second=0, microsecond=0) + _SPAN_ON_SQLITE)
    if await _waiting(uow, end):
        return None
    await _thin(uow, "reading", oldest, end)
    count = await _delete(uow, "reading", oldest, end)
    await _write_down(uow, end)
    return Bite(count, end >= last)


async def _waiting(uow: UnitOfWork, end: datetime) -> bool:
    """Tell whether hours wait to be computed on which readings before a moment bear."""
    found = await uow.session.execute(select(_touched.c.at).where(_touched.c.at < end + _REACH).limit(1))
    return found.first() is not None


async def _thin(uow: UnitOfWork, table: str, start: datetime, end: datetime) -> None:
    statement = text(_THIN.format(table=table, hour=_HOUR_OF[uow.dialect])).bindparams(
        bindparam("start", type_=UtcDateTime()), bindparam("end", type_=UtcDateTime())
    )
    await uow.session.execute(statement, {"start": start, "end": end})


async def _delete(uow: UnitOfWork, table: str, start: datetime, end: datetime) -> int:
    statement = text(
        f"WITH gone AS (DELETE FROM {table} WHERE at >= :start AND at < :end RETURNING 1)"  # noqa: S608
        " SELECT count(*) FROM gone"
        if uow.dialect == "postgresql"
        else f"DELETE FROM {table} WHERE at >= :start AND at < :end RETURNING 1"  # noqa: S608
    ).bindparams(bindparam("start", type_=UtcDateTime()), bindparam("end", type_=UtcDateTime()))
    found = (await uow.session.execute(statement, {"start": start, "end": end})).all()
    return int(found[0][0]) if uow.dialect == "postgresql" else len(found)


async def _write_down(uow: UnitOfWork, readings_from: datetime) -> None:
    """Write down from when on readings are kept; it never goes back."""
    known = (await uow.session.scalars(select(_retention.c.readings_from))).one_or_none()
    if known is None or known < readings_from:
        await upsert(
            uow,
            _retention,
            [{"id": 1, "readings_from": readings_from}],
            key=("id",),
            update=("readings_from",),
        )


def _begin(month: date) -> datetime:
    return datetime(month.year, month.month, 1, tzinfo=UTC)
