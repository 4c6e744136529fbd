"""Queries about how sensors do."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import func, select

from service.records.listing import among
from service.records.store import UnitOfWork
from service.records.tables import Alert, DeadLetter, Reading, Sensor


async def active_sensors_of(uow: UnitOfWork, house_id: int) -> Sequence[Sensor]:
    """Return the sensors of a house whose messages are taken, in order of their ids."""
    statement = select(Sensor).where(Sensor.house_id == house_id, Sensor.active).order_by(Sensor.id)
    return (await uow.session.scalars(statement)).all()


async def refused_since(
    uow: UnitOfWork, sensor_ids: Sequence[int], since: datetime
) -> dict[int, dict[str, int]]:
    """Return how many dead letters of sensors came since, by sensor and reason."""
    statement = (
        select(DeadLetter.sensor_id, DeadLetter.reason, func.count())
        .where(among(uow, DeadLetter.sensor_id, sensor_ids), DeadLetter.received_at >= since)
        .group_by(DeadLetter.sensor_id, DeadLetter.reason)
    )
    found: dict[int, dict[str, int]] = {}
    for sensor_id, reason, count in (await uow.session.execute(statement)).all():
        if sensor_id is not None:
            found.setdefault(sensor_id, {})[reason] = int(count)
    return found


async def last_reading(uow: UnitOfWork, sensor_id: int, since: datetime) -> datetime | None:
    """Return when a sensor was last read, not further back than ``since``."""
    statement = (
        select(Reading.at)
        .where(Reading.sensor_id == sensor_id, Reading.at >= since)
        .order_by(Reading.at.desc())
        .limit(1)
    )
    return (await uow.session.scalars(statement)).one_or_none()


async def open_of_kinds(uow: UnitOfWork, house_id: int, kinds: Sequence[str]) -> set[tuple[str, str]]:
    """Return the kind and subject of the open alerts of some kinds."""
    statement = select(Alert.kind, Alert.subject).where(
        Alert.house_id == house_id, Alert.closed_at.is_(None), Alert.kind.in_(list(kinds))
    )
    return {(kind, subject) for kind, subject in (await uow.session.execute(statement)).all()}
