"""Queries for what is measured: sensors, readings, hours, touched hours, dead letters, unknown topics."""

from __future__ import annotations

from array import array
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from io import BytesIO
from itertools import chain
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Table,
    bindparam,
    delete,
    func,
    literal_column,
    or_,
    select,
    type_coerce,
)
from sqlalchemy import cast as cast_to
from sqlalchemy.exc import DataError, IntegrityError
from sqlalchemy.ext.asyncio import AsyncConnection

from service.records.listing import among
from service.records.marks import note
from service.records.store import UnitOfWork, upsert
from service.records.tables import DeadLetter, Hour, House, Reading, Sensor, TouchedHour, UnknownTopic

_reading = cast(Table, Reading.__table__)
_hour = cast(Table, Hour.__table__)
_touched = cast(Table, TouchedHour.__table__)
_dead_letter = cast(Table, DeadLetter.__table__)
_unknown = cast(Table, UnknownTopic.__table__)


class Refused(Exception):  # noqa: N818 - read as an answer
    """The database is there, but refuses the rows themselves; trying the same again cannot help."""


@contextmanager
def refusals() -> Iterator[None]:
    """Turn the errors that mean "these rows cannot be stored" into :class:`Refused`."""
    try:
        yield
    except (IntegrityError, DataError) as error:
        raise Refused(str(error.orig)) from error


# --------------------------------------------------------------------------- sensors


_SENSORS_MARK = "SELECT count(id), coalesce(max(id), 0), coalesce(sum(version), 0) FROM sensor"


async def sensors_mark(uow: UnitOfWork) -> tuple[int, int, int]:
    """Return figures that change whenever a sensor is added or changed."""
    # As text, for it is asked with every batch of readings.
    connection = await uow.connection()
    rows: Sequence[Any] = (await connection.exec_driver_sql(_SENSORS_MARK)).all()
    sensors, newest, versions = rows[0]
    return int(sensors), int(newest), int(versions)


async def active_sensors(uow: UnitOfWork) -> Sequence[Sensor]:
    """Return the sensors whose messages are taken, in order of their ids."""
    return (await uow.session.scalars(select(Sensor).where(Sensor.active).order_by(Sensor.id))).all()


async def farms_of_houses(uow: UnitOfWork) -> dict[int, int]:
    """Return the farm of every house."""
    rows = (await uow.session.execute(select(House.id, House.farm_id))).all()
    return {row.id: row.farm_id for row in rows}


async def sensors_of_zones(
    uow: UnitOfWork, zone_ids: Iterable[int], quantities: Iterable[str]
) -> Sequence[Sensor]:
    """Return the sensors of zones, retired ones too: what they measured stays measured."""
    statement = (
        select(Sensor)
        .where(among(uow, Sensor.zone_id, zone_ids), Sensor.quantity.in_(list(quantities)))
        .order_by(Sensor.id)
    )
    return (await uow.session.scalars(statement)).all()


# --------------------------------------------------------------------------- readings


async def save_readings(uow: UnitOfWork, rows: Sequence[Mapping[str, Any]]) -> None:
    """Store readings (``sensor_id, at, value``); one that is there already takes the new value."""
    await _hold_sensors(uow, {row["sensor_id"] for row in rows})
    await upsert(uow, _reading, rows, key=("sensor_id", "at"), update=("value",))


_HOLD = "SELECT id FROM sensor WHERE id = ANY($1::bigint[]) ORDER BY id FOR KEY SHARE"


async def _hold_sensors(uow: UnitOfWork, sensor_ids: Collection[int]) -> None:
    """Keep sensors from being removed before this transaction ends, where no foreign key does.

    Raises
    ------
    Refused
        If one is not there.
    """
    if uow.dialect != "postgresql" or not sensor_ids:
        return
    connection = await uow.connection()
    there = (await connection.exec_driver_sql(_HOLD, (list(sensor_ids),))).scalars()
    if missing := set(sensor_ids).difference(there):
        raise Refused(f"there is no sensor {min(missing)}")


# The arrays of the whole batch in one statement: per row it costs a fifth of what an executemany does.
_SAVE_ON_POSTGRESQL = """
    INSERT INTO reading (sensor_id, at, value)
    SELECT s, timestamptz 'epoch' + us * interval '1 microsecond', v
    FROM unnest($1::bigint[], $2::bigint[], $3::float8[]) AS given (s, us, v)
    ON CONFLICT (sensor_id, at) DO """
_COPIED_FROM = 500
"""Rows that are worth a COPY and the savepoint it needs."""
# PostgreSQL's binary format of COPY: a header, rows of counted fields each after its length, and a trailer.
_COPY_HEADER = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_COPY_TRAILER = b"\xff\xff"
_COPY_ROW = np.dtype(
    [
        ("fields", ">i2"),
        ("sensor_id_bytes", ">i4"),
        ("sensor_id", ">i8"),
        ("at_bytes", ">i4"),
        ("at_us", ">i8"),
        ("value_bytes", ">i4"),
        ("value", ">f8"),
    ]
)
_POSTGRESQL_EPOCH_US = 946_684_800_000_000  # 2000-01-01
_UNIQUE_VIOLATION = "23505"  # PostgreSQL manual, appendix A
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_HOUR_US = 3_600_000_000
_OVERWRITE = "UPDATE SET value = excluded.value"
_LEAVE = "NOTHING"
# Some hundred rows a statement: SQLite's driver gives up Python's lock for each statement, and to get it back
# from busy threads takes longer than to store a row.
_ROWS_ON_SQLITE = 500
_ROWS_AT_A_TIME = 1000
_MICROSECOND = timedelta(microseconds=1)


@lru_cache(maxsize=_ROWS_ON_SQLITE)
def _save_on_sqlite(rows: int, on_conflict: str) -> str:
    values = ",".join(["(?,?,?)"] * rows)
    return (
        f"INSERT INTO reading (at, sensor_id, value) VALUES {values}"  # noqa: S608
        f" ON CONFLICT (at, sensor_id) DO {on_conflict}"
    )


async def save_reading_columns(
    uow: UnitOfWork,
    sensor_ids: NDArray[np.int64],
    at_us: NDArray[np.int64],
    values: NDArray[np.float64],
    *,
    overwrite: bool = True,
    inside: NDArray[np.int64] | None = None,
) -> None:
    """Store readings given in columns, times in microseconds since 1970; no sensor and time twice.

    One that is there already takes the new value, or stays if not to ``overwrite``. ``inside`` are ids of sensors
    known to be of a zone: their readings count through its hours.
    """
    if not sensor_ids.size:
        return
    outside = np.ones(sensor_ids.size, dtype=bool) if inside is None else ~np.isin(sensor_ids, inside)
    if outside.any():
        hours_of: dict[int, list[datetime]] = {}
        pairs = np.stack([sensor_ids[outside], at_us[outside] // _HOUR_US])
        for sensor_id, hour in np.unique(pairs, axis=1).T.tolist():
            hours_of.setdefault(sensor_id, []).append(_EPOCH + timedelta(hours=hour))
        for sensor_id, hours in hours_of.items():
            note(uow, [("outdoor_sensor", sensor_id)], hours_of=hours)
    connection = await uow.connection()
    on_conflict = _OVERWRITE if overwrite else _LEAVE
    if uow.dialect == "postgresql":
        await _hold_sensors(uow, np.unique(sensor_ids).tolist())
        if sensor_ids.size >= _COPIED_FROM and await _copy_new(connection, sensor_ids, at_us, values):
            return
        await connection.exec_driver_sql(
            _SAVE_ON_POSTGRESQL + on_conflict, (sensor_ids.tolist(), at_us.tolist(), values.tolist())
        )
        return
    for start in range(0, sensor_ids.size, _ROWS_ON_SQLITE):
        block = slice(start, start + _ROWS_ON_SQLITE)
        rows = zip(at_us[block].tolist(), sensor_ids[block].tolist(), values[block].tolist(), strict=True)
        parameters = tuple(chain.from_iterable(rows))
        await connection.exec_driver_sql(_save_on_sqlite(len(parameters) // 3, on_conflict), parameters)


async def _copy_new(
    connection: AsyncConnection,
    sensor_ids: NDArray[np.int64],
    at_us: NDArray[np.int64],
    values: NDArray[np.float64],
) -> bool:
    """Store readings by COPY, which takes half as long; False, and nothing is stored, if one is there already."""
    rows = np.empty(sensor_ids.size, _COPY_ROW)
    rows["fields"] = 3
    rows["sensor_id_bytes"] = rows["at_bytes"] = rows["value_bytes"] = 8
    rows["sensor_id"], rows["at_us"], rows["value"] = sensor_ids, at_us - _POSTGRESQL_EPOCH_US, values
    await connection.exec_driver_sql("SAVEPOINT readings")
    driver: Any = (await connection.get_raw_connection()).driver_connection
    try:
        await driver.copy_to_table(
            "reading",
            columns=("sensor_id", "at", "value"),
            source=BytesIO(_COPY_HEADER + rows.tobytes() + _COPY_TRAILER),
            format="binary",
        )
    except Exception as error:
        if getattr(error, "sqlstate", "") != _UNIQUE_VIOLATION:
            raise
        await connection.exec_driver_sql("ROLLBACK TO SAVEPOINT readings")
        return False
    await connection.exec_driver_sql("RELEASE SAVEPOINT readings")
    return True


async def readings_between(
    uow: UnitOfWork, sensor_ids: Sequence[int], start: datetime, end: datetime
) -> Sequence[tuple[int, datetime, float]]:
    """Return ``(sensor_id, at, value)`` of ``start <= at <= end``, in no particular order."""
    statement = select(_reading.c.sensor_id, _reading.c.at, _reading.c.value).where(
        among(uow, _reading.c.sensor_id, sensor_ids), _reading.c.at >= start, _reading.c.at <= end
    )
    return cast("Sequence[tuple[int, datetime, float]]", (await uow.session.execute(statement)).all())


async def reading_columns_between(
    uow: UnitOfWork, sensor_ids: Sequence[int], start: datetime, end: datetime
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return sensors, times in microseconds since 1970 and values of ``start <= at <= end``, in no particular order."""
    at_us: ColumnElement[int] = (
        cast_to(func.extract("epoch", _reading.c.at) * 1_000_000, BigInteger)
        if uow.dialect == "postgresql"
        else type_coerce(_reading.c.at, BigInteger)
    )
    statement = select(_reading.c.sensor_id, at_us, _reading.c.value).where(
        among(uow, _reading.c.sensor_id, sensor_ids), _reading.c.at >= start, _reading.c.at <= end
    )
    # A piece at a time: a row takes thirty times the room of its numbers, and an hour of a large farm has many.
    found = await uow.session.stream(statement.execution_options(yield_per=_ROWS_AT_A_TIME))
    ids, times, values = array("q"), array("q"), array("d")
    async for rows in found.partitions():
        some_ids, some_times, some_values = zip(*rows, strict=True)
        ids.extend(some_ids)
        times.extend(some_times)
        values.extend(some_values)
    return np.asarray(ids), np.asarray(times), np.asarray(values)


async def readings_count(uow: UnitOfWork) -> int:
    """Return how many readings are stored."""
    return int((await uow.session.execute(select(func.count()).select_from(_reading))).scalar_one())


async def readings_page(
    uow: UnitOfWork,
    sensor_id: int,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    after: datetime | None = None,
    limit: int = 1000,
) -> Sequence[Reading]:
    """Return the readings of a sensor in order of time, ``start <= at < end`` and later than ``after``."""
    statement = select(Reading).where(Reading.sensor_id == sensor_id).order_by(Reading.at).limit(limit)
    if start is not None:
        statement = statement.where(Reading.at >= start)
    if end is not None:
        statement = statement.where(Reading.at < end)
    if after is not None:
        statement = statement.where(Reading.at > after)
    return (await uow.session.scalars(statement)).all()


async def last_readings(uow: UnitOfWork, sensor_ids: Sequence[int]) -> dict[int, tuple[datetime, float]]:
    """Return the last reading of each sensor that has any; each is one look into the index."""
    newest = (
        select(_reading.c.at)
        .where(_reading.c.sensor_id == Sensor.id)
        .order_by(_reading.c.at.desc())
        .limit(1)
        .correlate(Sensor)
        .scalar_subquery()
    )
    statement = (
        select(_reading.c.sensor_id, _reading.c.at, _reading.c.value)
        .join(Sensor, Sensor.id == _reading.c.sensor_id)
        .where(among(uow, Sensor.id, sensor_ids), _reading.c.at == newest)
    )
    return {row[0]: (row[1], row[2]) for row in await uow.session.execute(statement)}


# --------------------------------------------------------------------------- hours


async def touch_hours(uow: UnitOfWork, marks: Iterable[tuple[int, datetime]]) -> None:
    """Mark hours ``(zone_id, at)`` to be computed again.

    A mark that is there already is counted up, which takes its row lock: whoever is settling that hour either
    waits for this transaction's readings or has taken the mark away before, and then it is set anew.
    """
    rows = sorted(marks)
    if not rows:
        return
    connection = await uow.connection()
    if uow.dialect == "postgresql":
        zones, times = zip(*rows, strict=True)
        await connection.exec_driver_sql(_TOUCH_ON_POSTGRESQL + _COUNT_UP, (list(zones), list(times)))
        return
    for start in range(0, len(rows), _ROWS_ON_SQLITE):
        block = rows[start : start + _ROWS_ON_SQLITE]
        values = ",".join(["(?,?,1)"] * len(block))
        await connection.exec_driver_sql(
            f"INSERT INTO touched_hour (zone_id, at, times) VALUES {values}{_COUNT_UP}",  # noqa: S608
            tuple(chain.from_iterable((zone_id, (at - _EPOCH) // _MICROSECOND) for zone_id, at in block)),
        )


_TOUCH_ON_POSTGRESQL = """
    INSERT INTO touched_hour (zone_id, at, times)
    SELECT zone_id, at, 1 FROM unnest($1::bigint[], $2::timestamptz[]) AS given (zone_id, at)"""
_COUNT_UP = " ON CONFLICT (zone_id, at) DO UPDATE SET times = touched_hour.times + 1"


async def take_touched_hours(uow: UnitOfWork, limit: int) -> list[tuple[int, datetime]]:
    """Take away and return up to ``limit`` marks, in order of zone and time, skipping those being set now."""
    statement = (
        select(_touched.c.zone_id, _touched.c.at)
        .order_by(_touched.c.zone_id, _touched.c.at)
        .limit(limit)
        .with_for_update(skip_locked=True)
    )
    marks = [(int(zone_id), at) for zone_id, at in (await uow.session.execute(statement)).all()]
    if marks:
        await uow.session.execute(
            delete(_touched).where(
                _touched.c.zone_id == bindparam("zone"), _touched.c.at == bindparam("hour")
            ),
            [{"zone": zone_id, "hour": at} for zone_id, at in marks],
        )
    return marks


async def touched_hours_left(uow: UnitOfWork) -> int:
    """Return how many hours wait to be computed again."""
    return int((await uow.session.execute(select(func.count()).select_from(_touched))).scalar_one())


async def save_hours(uow: UnitOfWork, rows: Sequence[Mapping[str, Any]]) -> None:
    """Store the conditions of hours in place of what was there."""
    update = [column.name for column in _hour.columns if not column.primary_key]
    await upsert(uow, _hour, rows, key=("zone_id", "at"), update=update)


async def remove_hours(uow: UnitOfWork, marks: Sequence[tuple[int, datetime]]) -> None:
    """Remove hours ``(zone_id, at)`` of which nothing was measured after all."""
    if marks:
        await uow.session.execute(
            delete(_hour).where(_hour.c.zone_id == bindparam("zone_id"), _hour.c.at == bindparam("at")),
            [{"zone_id": zone_id, "at": at} for zone_id, at in marks],
        )


async def hours_between(
    uow: UnitOfWork, zone_ids: Iterable[int], start: datetime, end: datetime
) -> Sequence[Hour]:
    """Return the hours of zones with ``start <= at < end``, in order of zone and time."""
    statement = (
        select(Hour)
        .where(among(uow, Hour.zone_id, zone_ids), Hour.at >= start, Hour.at < end)
        .order_by(Hour.zone_id, Hour.at)
    )
    return (await uow.session.scalars(statement)).all()


async def hours_page(
    uow: UnitOfWork,
    zone_id: int,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    after: datetime | None = None,
    limit: int = 1000,
) -> Sequence[Hour]:
    """Return the hours of a zone in order of time, ``start <= at < end`` and later than ``after``."""
    statement = select(Hour).where(Hour.zone_id == zone_id).order_by(Hour.at).limit(limit)
    if start is not None:
        statement = statement.where(Hour.at >= start)
    if end is not None:
        statement = statement.where(Hour.at < end)
    if after is not None:
        statement = statement.where(Hour.at > after)
    return (await uow.session.scalars(statement)).all()


# --------------------------------------------------------------------------- what could not be stored


async def add_dead_letters(uow: UnitOfWork, rows: Sequence[Mapping[str, Any]]) -> None:
    """Keep payloads with the reason why they are not readings."""
    if rows:
        await uow.session.execute(_dead_letter.insert(), list(rows))


async def dead_letters_page(
    uow: UnitOfWork,
    *,
    within_farm: int | None = None,
    reason: str | None = None,
    topic: str | None = None,
    sensor_id: int | None = None,
    after: int | None = None,
    limit: int = 100,
) -> Sequence[DeadLetter]:
    """Return dead letters, newest first; ``after`` is the id of the last one seen.

    Within a farm only those of its sensors: of the others nobody knows whose they are.
    """
    statement = select(DeadLetter).order_by(DeadLetter.id.desc()).limit(limit)
    if within_farm is not None:
        statement = (
            statement.join(Sensor, Sensor.id == DeadLetter.sensor_id)
            .join(House, House.id == Sensor.house_id)
            .where(House.farm_id == within_farm)
        )
    if reason is not None:
        statement = statement.where(DeadLetter.reason == reason)
    if topic is not None:
        statement = statement.where(DeadLetter.topic == topic)
    if sensor_id is not None:
        statement = statement.where(DeadLetter.sensor_id == sensor_id)
    if after is not None:
        statement = statement.where(DeadLetter.id < after)
    return (await uow.session.scalars(statement)).all()


async def letters_to_replay(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    topic: str | None,
    sensor_id: int | None,
    reason: str | None,
    after: int,
    limit: int,
) -> Sequence[DeadLetter]:
    """Return dead letters on topics that a sensor, of a farm, claims now, oldest first, and locked.

    One that another transaction replays already is left out.
    """
    claimed = select(Sensor.topic).where(Sensor.active)
    if within_farm is not None:
        claimed = claimed.join(House, House.id == Sensor.house_id).where(House.farm_id == within_farm)
    if sensor_id is not None:
        claimed = claimed.where(Sensor.id == sensor_id)
    statement = (
        select(DeadLetter)
        .where(DeadLetter.topic.in_(claimed), DeadLetter.id > after)
        .order_by(DeadLetter.id)
        .limit(limit)
        .with_for_update(skip_locked=True)
    )
    if topic is not None:
        statement = statement.where(DeadLetter.topic == topic)
    if reason is not None:
        statement = statement.where(DeadLetter.reason == reason)
    return (await uow.session.scalars(statement)).all()


async def remove_dead_letters(uow: UnitOfWork, ids: Sequence[int]) -> None:
    """Remove dead letters that are readings now."""
    if ids:
        await uow.session.execute(delete(_dead_letter).where(among(uow, _dead_letter.c.id, ids)))


async def drop_dead_letters(uow: UnitOfWork, *, before: datetime, keep: int, limit: int) -> int:
    """Remove up to ``limit`` dead letters that came before a moment or are older than the newest ``keep``."""
    newest_too_many = select(_dead_letter.c.id).order_by(_dead_letter.c.id.desc()).offset(keep).limit(1)
    last = (await uow.session.execute(newest_too_many)).scalar_one_or_none()
    condition = _dead_letter.c.received_at < before
    if last is not None:
        condition = or_(condition, _dead_letter.c.id <= last)
    doomed = select(_dead_letter.c.id).where(condition).order_by(_dead_letter.c.id).limit(limit)
    gone = await uow.session.execute(
        delete(_dead_letter).where(_dead_letter.c.id.in_(doomed)).returning(_dead_letter.c.id)
    )
    return len(gone.all())


async def unknown_topic(uow: UnitOfWork, topic: str) -> UnknownTopic | None:
    """Return what is listed of a topic that no sensor claims."""
    return (await uow.session.scalars(select(UnknownTopic).where(UnknownTopic.topic == topic))).one_or_none()


async def unknown_topic_counts(uow: UnitOfWork, topics: Iterable[str]) -> dict[str, int]:
    """Return how many messages came so far on each of these topics that no sensor claims."""
    statement = select(_unknown.c.topic, _unknown.c.messages).where(_unknown.c.topic.in_(list(topics)))
    return {topic: int(messages) for topic, messages in (await uow.session.execute(statement)).all()}


async def unknown_topics_total(uow: UnitOfWork) -> int:
    """Return how many topics that no sensor claims are listed."""
    return int((await uow.session.execute(select(func.count()).select_from(_unknown))).scalar_one())


async def count_unknown_topics(uow: UnitOfWork, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add to the list of topics that no sensor claims, or count on."""
    await upsert(
        uow,
        _unknown,
        rows,
        key=("topic",),
        update={
            "messages": _unknown.c.messages + literal_column("excluded.messages"),
            "last_seen_at": literal_column("excluded.last_seen_at"),
            "last_payload": literal_column("excluded.last_payload"),
        },
    )


async def unknown_topics_page(
    uow: UnitOfWork, after: str | None = None, limit: int = 100
) -> Sequence[UnknownTopic]:
    """Return topics that no sensor claims, by name; ``after`` is the last one seen."""
    statement = select(UnknownTopic).order_by(UnknownTopic.topic).limit(limit)
    if after is not None:
        statement = statement.where(UnknownTopic.topic > after)
    return (await uow.session.scalars(statement)).all()


async def forget_unknown_topic(uow: UnitOfWork, topic: str) -> None:
    """Take a topic off the list, because a sensor claims it now."""
    await uow.session.execute(delete(_unknown).where(_unknown.c.topic == topic))
