"""Dropping old readings: by month on PostgreSQL, some hours at a time on SQLite.

A month is first taken out of the readings, for which everybody waits an instant, and is nobody's any more: what is to
stay of it is worked out while others store and read, and then it is dropped. What comes late for it lies in the
default partition, as all readings of a month that is not there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import cast

from sqlalchemy import Table, bindparam, select, text

from service.records.partitions import glance, lock_readings, month_after, month_of
from service.records.store import UnitOfWork, upsert
from service.records.tables import Retention, TouchedHour
from service.records.types import UtcDateTime

_retention = cast(Table, Retention.__table__)
_touched = cast(Table, TouchedHour.__table__)
_MONTH = re.compile(r"reading_(\d{4})_(\d{2})")
_OUT = "reading_dropping_"
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
    FROM {table} WHERE at >= :start AND at < :end AND sensor_id IN (SELECT id FROM sensor) GROUP BY sensor_id, {hour}
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
_FAR_AHEAD = datetime(9999, 1, 1, tzinfo=UTC)


async def drop_some(uow: UnitOfWork, before: datetime) -> Bite | None:
    """Take a step to drop the readings of before a moment, rounded down to a whole month or day, in this transaction.

    It is written down that readings are kept from the later moment only, before any goes. None: hours wait to be
    computed from what would go; leave the transaction with nothing done, compute them and come back.

    Raises
    ------
    InUse
        If somebody is at the readings for long; try again much later.
    """
    if uow.dialect == "postgresql":
        return await _drop_month(uow, before)
    return await _drop_hours(uow, before)


async def _drop_month(uow: UnitOfWork, before: datetime) -> Bite | None:
    if (out := await uow.session.scalar(text(_TAKEN_OUT))) is not None:
        return await _drop_taken_out(uow, out)
    last = month_of(before)
    old = [month for month in await _months(uow) if month < last]
    stray = await glance(uow, "SELECT min(at) FROM reading_default")
    if not old and (stray is None or stray >= _begin(last)):
        return Bite(0, True)
    end = _begin(month_after(old[0]) if old else last)
    if await _waiting(uow, end):
        return None
    if await _write_down(uow, end):
        # Whoever computes hours from here on knows it, and leaves those alone whose readings go.
        return Bite(0, False)
    return await _take_out(uow, old[0], end) if old else await _drop_strays(uow, end)


_TAKEN_OUT = (
    "SELECT relname FROM pg_class WHERE relkind = 'r' AND pg_table_is_visible(oid)"  # noqa: S608
    f" AND relname LIKE '{_OUT}%' ORDER BY relname LIMIT 1"
)
_MONTHS = (
    "SELECT relname FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid"
    " WHERE inhparent = 'reading'::regclass"
)


async def _months(uow: UnitOfWork) -> list[date]:
    """Return the first days of the months that there are."""
    names = await uow.session.scalars(text(_MONTHS))
    return sorted(date(int(m[1]), int(m[2]), 1) for m in map(_MONTH.fullmatch, names) if m)


async def _take_out(uow: UnitOfWork, month: date, end: datetime) -> Bite | None:
    """Make a month a table of its own, of which nobody else knows."""
    await lock_readings(uow)
    if month not in await _months(uow):  # another process was faster
        return Bite(0, False)
    if await _waiting(uow, end):
        return None
    name = f"reading_{month:%Y_%m}"
    await uow.session.execute(text(f"ALTER TABLE reading DETACH PARTITION {name}"))
    await uow.session.execute(text(f"ALTER TABLE {name} RENAME TO {_OUT}{month:%Y_%m}"))
    return Bite(0, False)


async def _drop_taken_out(uow: UnitOfWork, name: str) -> Bite:
    await lock_readings(uow, name)  # a dump may have it still
    await _thin(uow, name, _LONG_AGO, _FAR_AHEAD)
    count = int(await uow.session.scalar(text(f"SELECT count(*) FROM {name}")) or 0)  # noqa: S608
    await uow.session.execute(text(f"DROP TABLE {name}"))
    return Bite(count, False)


async def _drop_strays(uow: UnitOfWork, end: datetime) -> Bite | None:
    """Drop what is old and in no month: only what came late."""
    await lock_readings(
        uow, "reading_default", "SHARE ROW EXCLUSIVE"
    )  # who stores none of these does not wait
    if await _waiting(uow, end):
        return None
    await _thin(uow, "reading_default", _LONG_AGO, end)
    return Bite(await _delete(uow, "reading_default", _LONG_AGO, end), True)


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


async def _write_down(uow: UnitOfWork, readings_from: datetime) -> bool:
    """Write down from when on readings are kept, and tell whether that is new; it never goes back."""
    known = (await uow.session.scalars(select(_retention.c.readings_from))).one_or_none()
    if known is not None and known >= readings_from:
        return False
    await upsert(
        uow,
        _retention,
        [{"id": 1, "readings_from": readings_from}],
        key=("id",),
        update=("readings_from",),
    )
    return True


def _begin(month: date) -> datetime:
    return datetime(month.year, month.month, 1, tzinfo=UTC)
