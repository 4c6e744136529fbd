"""Queries about sensors: their calibrations, their clocks, and from when on their readings are kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, cast

from sqlalchemy import ColumnElement, Table, bindparam, case, delete, literal_column, select, text, tuple_

from service.records.listing import among, narrow, page
from service.records.listing import rows as plain_rows
from service.records.store import UnitOfWork, upsert
from service.records.tables import House, Retention, Sensor, SensorCalibration, SensorHour, SensorLag
from service.records.types import UtcDateTime

_lag = cast(Table, SensorLag.__table__)


async def page_sensors(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    zone_id: int | None,
    quantity: str | None,
    active: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[Sensor], int | None]:
    """Return a page of sensors."""
    statement = narrow(
        select(Sensor).join(House, House.id == Sensor.house_id),
        (House.farm_id, within_farm),
        (Sensor.house_id, house_id),
        (Sensor.zone_id, zone_id),
        (Sensor.quantity, quantity),
        (Sensor.active, active),
    )
    return await page(uow, statement, Sensor.id, after, limit)


async def ids_of_farm(uow: UnitOfWork, farm_id: int) -> set[int]:
    """Return the ids of a farm's sensors."""
    statement = select(Sensor.id).join(House, House.id == Sensor.house_id).where(House.farm_id == farm_id)
    return set((await uow.session.scalars(statement)).all())


async def holder(uow: UnitOfWork, farm_id: int, topic: str, value_pointer: str) -> Sensor | None:
    """Return the sensor of a farm that has a topic with a value pointer."""
    statement = (
        select(Sensor)
        .join(House, House.id == Sensor.house_id)
        .where(House.farm_id == farm_id, Sensor.topic == topic, Sensor.value_pointer == value_pointer)
    )
    return (await uow.session.scalars(statement)).one_or_none()


# --------------------------------------------------------------------------- calibrations


async def calibrations_of(
    uow: UnitOfWork, sensor_ids: Sequence[int], *, all_of_them: bool = False
) -> Sequence[SensorCalibration]:
    """Return the calibrations of sensors in order of their beginning, if asked those taken back too."""
    if not sensor_ids:
        return ()
    statement = (
        select(SensorCalibration)
        .where(among(uow, SensorCalibration.sensor_id, sensor_ids))
        .order_by(SensorCalibration.from_at, SensorCalibration.id)
    )
    if not all_of_them:
        statement = statement.where(SensorCalibration.active)
    return (await uow.session.scalars(statement)).all()


async def lock_sensor(uow: UnitOfWork, sensor_id: int) -> None:
    """Keep others from changing the sensor's calibrations until the transaction ends."""
    await uow.session.execute(select(Sensor.id).where(Sensor.id == sensor_id).with_for_update())


async def touch_known_hours(uow: UnitOfWork, zone_id: int, start: datetime, end: datetime) -> int:
    """Mark the hours of a zone that are known, ``start <= at < end``, to be computed again; return how many."""
    found = await uow.session.execute(
        text(
            "INSERT INTO touched_hour (zone_id, at, times)"
            " SELECT zone_id, at, 1 FROM hour WHERE zone_id = :zone AND at >= :start AND at < :end"
            " ON CONFLICT (zone_id, at) DO UPDATE SET times = touched_hour.times + 1 RETURNING zone_id"
        ).bindparams(bindparam("start", type_=UtcDateTime()), bindparam("end", type_=UtcDateTime())),
        {"zone": zone_id, "start": start, "end": end},
    )
    return len(found.all())


# --------------------------------------------------------------------------- clocks


async def add_lags(uow: UnitOfWork, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add to what is known of the lag of messages; of each sensor and hour the extremes and the number."""
    low: ColumnElement[float] = literal_column("excluded.low_s")
    high: ColumnElement[float] = literal_column("excluded.high_s")
    await upsert(
        uow,
        _lag,
        rows,
        key=("sensor_id", "at"),
        update={
            "low_s": case((low < _lag.c.low_s, low), else_=_lag.c.low_s),
            "high_s": case((high > _lag.c.high_s, high), else_=_lag.c.high_s),
            "messages": _lag.c.messages + literal_column("excluded.messages"),
        },
    )


async def lags_since(uow: UnitOfWork, sensor_ids: Sequence[int], since: datetime) -> Sequence[SensorLag]:
    """Return the lags of sensors since a moment, in order of time."""
    statement = (
        select(SensorLag)
        .where(among(uow, SensorLag.sensor_id, sensor_ids), SensorLag.at >= since)
        .order_by(SensorLag.at)
    )
    return (await uow.session.scalars(statement)).all()


async def arrivals_since(
    uow: UnitOfWork, sensor_ids: Sequence[int], since: datetime
) -> dict[int, list[tuple[datetime, int, float]]]:
    """Return the hours since a moment in which each sensor's messages arrived: (hour, messages, least lag [s])."""
    found: dict[int, list[tuple[datetime, int, float]]] = {}
    statement = (
        select(SensorLag.sensor_id, SensorLag.at, SensorLag.messages, SensorLag.low_s)
        .where(among(uow, SensorLag.sensor_id, sensor_ids), SensorLag.at >= since)
        .order_by(SensorLag.at)
    )
    for sensor_id, at, messages, low_s in await plain_rows(uow, statement):
        found.setdefault(sensor_id, []).append((at, messages, low_s))
    return found


async def drop_lags(uow: UnitOfWork, before: datetime, limit: int) -> int:
    """Forget up to ``limit`` lags of long ago; return how many went."""
    key = tuple_(_lag.c.sensor_id, _lag.c.at)
    doomed = select(_lag.c.sensor_id, _lag.c.at).where(_lag.c.at < before).limit(limit)
    gone = await uow.session.execute(delete(_lag).where(key.in_(doomed)).returning(_lag.c.sensor_id))
    return len(gone.all())


# --------------------------------------------------------------------------- retention


async def readings_from(uow: UnitOfWork) -> datetime | None:
    """Return from when on readings are kept; None: none were ever dropped."""
    return (await uow.session.scalars(select(Retention.readings_from))).one_or_none()


async def sensor_hours_page(
    uow: UnitOfWork,
    sensor_id: int,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    after: datetime | None = None,
    limit: int = 1000,
) -> Sequence[SensorHour]:
    """Return what is left of a sensor's dropped readings, hour by hour, ``start <= at < end``, later than ``after``."""
    statement = (
        select(SensorHour).where(SensorHour.sensor_id == sensor_id).order_by(SensorHour.at).limit(limit)
    )
    if start is not None:
        statement = statement.where(SensorHour.at >= start)
    if end is not None:
        statement = statement.where(SensorHour.at < end)
    if after is not None:
        statement = statement.where(SensorHour.at > after)
    return (await uow.session.scalars(statement)).all()
