"""What a re-forecast reads and keeps."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import aliased

from service.records.listing import among
from service.records.listing import rows as plain_rows
from service.records.store import UnitOfWork
from service.records.tables import Advice, Alert, Batch, Crop, Forecast, Hour, House, Succession


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


def _newest_forecast(batch_id: Any) -> Any:
    """Return the query of the id of a batch's newest forecast: one step down the index, for the row of a query around.

    The highest id of each batch at once would be a walk through all forecasts.
    """
    other = aliased(Forecast)
    newest = select(other.id).where(other.batch_id == batch_id)
    return newest.order_by(other.made_at.desc(), other.id.desc()).limit(1).scalar_subquery()


def _newest_advice(succession_id: Any) -> Any:
    """Return the query of the id of a succession's newest advice, as of forecasts."""
    other = aliased(Advice)
    newest = select(other.id).where(other.succession_id == succession_id)
    return newest.order_by(other.made_at.desc(), other.id.desc()).limit(1).scalar_subquery()


async def latest_forecasts(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, Forecast]:
    """Return the newest forecast of each batch."""
    statement = (
        select(Forecast)
        .select_from(Batch)
        .join(Forecast, Forecast.id == _newest_forecast(Batch.id))
        .where(among(uow, Batch.id, batch_ids))
    )
    return {f.batch_id: f for f in await uow.session.scalars(statement)}


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
    newest = _newest_forecast(Batch.id)
    found = await plain_rows(uow, select(Batch.id, newest).where(among(uow, Batch.id, batch_ids)))
    return {batch_id: forecast_id for batch_id, forecast_id in found if forecast_id is not None}


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
    rows = await uow.session.execute(
        select(Succession.name, Advice)
        .select_from(Succession)
        .join(Advice, Advice.id == _newest_advice(Succession.id))
        .where(Succession.house_id == house_id, Succession.active)
        .order_by(Succession.id)
    )
    return [(name, advice) for name, advice in rows]


async def latest_advice(uow: UnitOfWork, succession_ids: Collection[int]) -> dict[int, Advice]:
    """Return the newest advice of each succession."""
    statement = (
        select(Advice)
        .select_from(Succession)
        .join(Advice, Advice.id == _newest_advice(Succession.id))
        .where(among(uow, Succession.id, succession_ids))
    )
    return {a.succession_id: a for a in await uow.session.scalars(statement)}


async def open_alerts(uow: UnitOfWork, house_id: int) -> list[Alert]:
    """Return the open alerts of a house, oldest first."""
    rows = await uow.session.execute(
        select(Alert)
        .where(Alert.house_id == house_id, Alert.closed_at.is_(None))
        .order_by(Alert.opened_at, Alert.id)
    )
    return list(rows.scalars())
