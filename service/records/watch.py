"""What a look at a house reads."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import cast

from sqlalchemy import Table, func, select

from service.records.listing import among
from service.records.store import UnitOfWork
from service.records.tables import Alert, Batch, Entry, Reading, Sensor, Task, Zone, ZoneLimit

_reading = cast(Table, Reading.__table__)


async def sensors_of(uow: UnitOfWork, house_id: int) -> list[Sensor]:
    """Return the active sensors of a house, by id."""
    return list(
        await uow.session.scalars(
            select(Sensor).where(Sensor.house_id == house_id, Sensor.active).order_by(Sensor.id)
        )
    )


async def last_and_most(
    uow: UnitOfWork, sensor_ids: Sequence[int], since: datetime, now: datetime
) -> dict[int, tuple[datetime, float]]:
    """Return when each sensor was last read since a moment, and the most it read since then."""
    rows = await uow.session.execute(
        select(_reading.c.sensor_id, func.max(_reading.c.at), func.max(_reading.c.value))
        .where(among(uow, _reading.c.sensor_id, sensor_ids), _reading.c.at >= since, _reading.c.at <= now)
        .group_by(_reading.c.sensor_id)
    )
    return {int(sensor_id): (at, float(most)) for sensor_id, at, most in rows.all()}


async def limits_of(uow: UnitOfWork, house_id: int) -> dict[tuple[int, str], ZoneLimit]:
    """Return the limits that were set for zones of a house, by zone and quantity."""
    rows = await uow.session.scalars(
        select(ZoneLimit).join(Zone, Zone.id == ZoneLimit.zone_id).where(Zone.house_id == house_id)
    )
    return {(row.zone_id, row.quantity): row for row in rows}


async def limits_of_zone(uow: UnitOfWork, zone_id: int) -> dict[str, ZoneLimit]:
    """Return the limits that were set for a zone, by quantity."""
    rows = await uow.session.scalars(select(ZoneLimit).where(ZoneLimit.zone_id == zone_id))
    return {row.quantity: row for row in rows}


async def last_harvests(uow: UnitOfWork, house_id: int, since: datetime) -> dict[int, datetime]:
    """Return when a finished batch of each succession was last cut, of those cut since a moment."""
    rows = await uow.session.execute(
        select(Batch.succession_id, func.max(Entry.happened_at))
        .join(Batch, Batch.id == Entry.batch_id)
        .where(
            Batch.house_id == house_id,
            Batch.stage == "finished",
            Entry.kind == "harvested",
            ~Entry.void,
            Entry.happened_at >= since,
        )
        .group_by(Batch.succession_id)
    )
    return {int(succession_id): at for succession_id, at in rows.all()}


async def open_transplants(uow: UnitOfWork, house_id: int) -> list[Task]:
    """Return the open tasks of a house that transplant a batch, soonest last."""
    return list(
        await uow.session.scalars(
            select(Task)
            .where(
                Task.house_id == house_id,
                Task.kind == "transplant",
                Task.done_at.is_(None),
                Task.batch_id.is_not(None),
            )
            .order_by(Task.due_on.desc(), Task.id)
        )
    )


async def open_of_kinds(uow: UnitOfWork, house_id: int, kinds: Sequence[str]) -> list[Alert]:
    """Return the open alerts of a house of these kinds."""
    return list(
        await uow.session.scalars(
            select(Alert).where(Alert.house_id == house_id, Alert.closed_at.is_(None), Alert.kind.in_(kinds))
        )
    )


async def forget_limit(uow: UnitOfWork, row: ZoneLimit) -> None:
    """Remove limits that were set."""
    await uow.session.delete(row)
    await uow.flush()
