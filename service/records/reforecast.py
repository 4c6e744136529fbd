"""What a re-forecast reads and keeps."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select

from service.records.listing import among
from service.records.listing import rows as plain_rows
from service.records.store import UnitOfWork
from service.records.tables import Advice, Alert, Crop, Forecast, Hour, House, Succession


async def crops_of(uow: UnitOfWork, farm_id: int) -> list[Crop]:
    """Return the crops of a farm."""
    return list(
        (await uow.session.execute(select(Crop).where(Crop.farm_id == farm_id).order_by(Crop.id))).scalars()
    )


async def hours_since(
    uow: UnitOfWork, zone_id: int, since: datetime, before: datetime
) -> Sequence[tuple[datetime, float | None, float, float | None, float]]:
    """Return (start, mean temperature, its coverage, light, its coverage) of a zone's hours, in order of time."""
    rows = await uow.session.execute(
        select(Hour.at, Hour.temp_mean_c, Hour.temp_coverage, Hour.light_mol, Hour.light_coverage)
        .where(Hour.zone_id == zone_id, Hour.at >= since, Hour.at < before)
        .order_by(Hour.at)
    )
    return rows.all()


async def lock_house(uow: UnitOfWork, house_id: int) -> None:
    """Let nobody else keep conclusions of the house until this transaction ends.

    PostgreSQL locks the row; on SQLite the transaction already holds the only write lock.
    """
    await uow.session.execute(select(House.id).where(House.id == house_id).with_for_update(key_share=True))


async def latest_forecasts(uow: UnitOfWork, batch_ids: Sequence[int]) -> dict[int, Forecast]:
    """Return the newest forecast of each batch."""
    newest = (
        select(func.max(Forecast.id))
        .where(among(uow, Forecast.batch_id, batch_ids))
        .group_by(Forecast.batch_id)
    )
    rows = await uow.session.execute(select(Forecast).where(Forecast.id.in_(newest)))
    return {f.batch_id: f for f in rows.scalars()}


@dataclass(slots=True)
class ForecastRow:
    """What a forecast says."""

    id: int
    batch_id: int
    made_at: datetime
    horizon_days: int
    points: dict[str, Any]
    state: dict[str, Any]
    reasons: list[str]


async def newest_forecasts(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, int]:
    """Return the id of the newest forecast of each batch; those without one are left out."""
    statement = (
        select(Forecast.batch_id, func.max(Forecast.id))
        .where(among(uow, Forecast.batch_id, batch_ids))
        .group_by(Forecast.batch_id)
    )
    return {row.batch_id: row[1] for row in await plain_rows(uow, statement)}


async def forecasts(uow: UnitOfWork, ids: Collection[int]) -> list[ForecastRow]:
    """Return what forecasts say."""
    statement = select(
        Forecast.id,
        Forecast.batch_id,
        Forecast.made_at,
        Forecast.horizon_days,
        Forecast.points,
        Forecast.state,
        Forecast.reasons,
    ).where(among(uow, Forecast.id, ids))
    return [ForecastRow(*row) for row in await plain_rows(uow, statement)]


async def advice_in_force(uow: UnitOfWork, house_id: int) -> list[tuple[str, Advice]]:
    """Return the newest advice of each succession of a house that is still seeded, and its name; by succession."""
    newest = (
        select(func.max(Advice.id))
        .join(Succession, Succession.id == Advice.succession_id)
        .where(Succession.house_id == house_id, Succession.active)
        .group_by(Advice.succession_id)
    )
    rows = await uow.session.execute(
        select(Succession.name, Advice)
        .join(Succession, Succession.id == Advice.succession_id)
        .where(Advice.id.in_(newest))
        .order_by(Succession.id)
    )
    return [(name, advice) for name, advice in rows]


async def latest_advice(uow: UnitOfWork, succession_ids: Sequence[int]) -> dict[int, Advice]:
    """Return the newest advice of each succession."""
    newest = (
        select(func.max(Advice.id))
        .where(Advice.succession_id.in_(succession_ids))
        .group_by(Advice.succession_id)
    )
    rows = await uow.session.execute(select(Advice).where(Advice.id.in_(newest)))
    return {a.succession_id: a for a in rows.scalars()}


async def open_alerts(uow: UnitOfWork, house_id: int) -> list[Alert]:
    """Return the open alerts of a house, oldest first."""
    rows = await uow.session.execute(
        select(Alert)
        .where(Alert.house_id == house_id, Alert.closed_at.is_(None))
        .order_by(Alert.opened_at, Alert.id)
    )
    return list(rows.scalars())
