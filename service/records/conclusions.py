"""Queries for what was concluded: forecasts, advice and alerts, newest first; and dropping what has been replaced."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any

from sqlalchemy import delete, select

from service.records.listing import among, narrow, page, rows
from service.records.store import UnitOfWork
from service.records.tables import Advice, Alert, Batch, Forecast, House, Succession

Concluded = type[Forecast] | type[Advice]
_OF: dict[Concluded, tuple[Any, Any]] = {
    Forecast: (Forecast.batch_id, Batch.id),
    Advice: (Advice.succession_id, Succession.id),
}


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


async def made_between(
    uow: UnitOfWork, table: Concluded, since: datetime | None, before: datetime, *, after: int, limit: int
) -> dict[int, list[tuple[datetime, int]]]:
    """Return when forecasts of batches, or advice for successions, were made in a span, with their ids, in order.

    Of up to ``limit`` batches or successions of which there are any, by id after ``after``; empty: no more.
    """
    of, subject = _OF[table]
    newest = (
        select(table.made_at)
        .where(of == subject, table.made_at < before)
        .order_by(table.made_at.desc())
        .limit(1)
        .correlate(subject.table)
        .scalar_subquery()
    )
    some = newest.is_not(None) if since is None else newest >= since
    wanted = select(subject).where(subject > after, some).order_by(subject).limit(limit)
    found: dict[int, list[tuple[datetime, int]]] = {row.id: [] for row in await rows(uow, wanted)}
    if found:
        statement = select(of, table.made_at, table.id).where(among(uow, of, found), table.made_at < before)
        if since is not None:
            statement = statement.where(table.made_at >= since)
        for subject_id, made_at, row_id in await rows(uow, statement.order_by(of, table.made_at, table.id)):
            found[subject_id].append((made_at, row_id))
    return found


async def drop(uow: UnitOfWork, table: Concluded, ids: Collection[int]) -> None:
    """Drop forecasts or advice."""
    await uow.session.execute(
        delete(table).where(among(uow, table.id, ids)).execution_options(synchronize_session=False)
    )
