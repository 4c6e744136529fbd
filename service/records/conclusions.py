"""Queries for what was concluded: forecasts, advice and alerts, newest first."""

from __future__ import annotations

from sqlalchemy import select

from service.records.listing import narrow, page
from service.records.store import UnitOfWork
from service.records.tables import Advice, Alert, Forecast, House


async def page_forecasts(
    uow: UnitOfWork, batch_id: int, *, after: int | None, limit: int
) -> tuple[list[Forecast], int | None]:
    """Return a page of a batch's forecasts."""
    return await page(
        uow,
        select(Forecast).where(Forecast.batch_id == batch_id),
        Forecast.id,
        after,
        limit,
        newest_first=True,
    )


async def page_advice(
    uow: UnitOfWork, succession_id: int, *, after: int | None, limit: int
) -> tuple[list[Advice], int | None]:
    """Return a page of a succession's advice."""
    return await page(
        uow,
        select(Advice).where(Advice.succession_id == succession_id),
        Advice.id,
        after,
        limit,
        newest_first=True,
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
    return await page(uow, statement, Alert.id, after, limit, newest_first=True)
