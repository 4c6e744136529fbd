"""Queries for what was concluded: forecasts, advice and alerts, newest first."""

from __future__ import annotations

from typing import TypeVar

from sqlalchemy import Select, select
from sqlalchemy.orm import InstrumentedAttribute

from service.records.listing import narrow
from service.records.store import UnitOfWork
from service.records.tables import Advice, Alert, Forecast, House

Row = TypeVar("Row", Forecast, Advice, Alert)


async def page_forecasts(
    uow: UnitOfWork, batch_id: int, *, after: int | None, limit: int
) -> tuple[list[Forecast], int | None]:
    """Return a page of a batch's forecasts."""
    return await _newest(
        uow, select(Forecast).where(Forecast.batch_id == batch_id), Forecast.id, after, limit
    )


async def page_advice(
    uow: UnitOfWork, succession_id: int, *, after: int | None, limit: int
) -> tuple[list[Advice], int | None]:
    """Return a page of a succession's advice."""
    return await _newest(
        uow, select(Advice).where(Advice.succession_id == succession_id), Advice.id, after, limit
    )


async def page_alerts(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    open_: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[Alert], int | None]:
    """Return a page of alerts, open or closed or both."""
    statement = narrow(
        select(Alert).join(House, House.id == Alert.house_id),
        (House.farm_id, within_farm),
        (Alert.house_id, house_id),
    )
    if open_ is not None:
        statement = statement.where(Alert.closed_at.is_(None) if open_ else Alert.closed_at.is_not(None))
    return await _newest(uow, statement, Alert.id, after, limit)


async def _newest(
    uow: UnitOfWork,
    statement: Select[Row],
    key: InstrumentedAttribute[int],
    after: int | None,
    limit: int,
) -> tuple[list[Row], int | None]:
    if after is not None:
        statement = statement.where(key < after)
    rows = list(await uow.session.scalars(statement.order_by(key.desc()).limit(limit + 1)))
    return rows[:limit], rows[limit - 1].id if len(rows) > limit else None
