"""Queries about receivers and calendar feeds."""

from __future__ import annotations

from datetime import date

from sqlalchemy import select

from service.records.listing import among, narrow, page
from service.records.store import UnitOfWork
from service.records.tables import (
    Batch,
    CalendarFeed,
    ForecastDay,
    House,
    HouseEvent,
    Receiver,
    Succession,
    Task,
)


async def page_receivers(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    farm_id: int | None,
    kind: str | None,
    active: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[Receiver], int | None]:
    """Return a page of receivers."""
    statement = narrow(
        select(Receiver),
        (Receiver.farm_id, within_farm),
        (Receiver.farm_id, farm_id),
        (Receiver.kind, kind),
        (Receiver.active, active),
    )
    return await page(uow, statement, Receiver.id, after, limit)


async def active_receivers(uow: UnitOfWork, farm_id: int) -> list[Receiver]:
    """Return the active receivers of a farm, by id."""
    return list(
        await uow.session.scalars(
            select(Receiver).where(Receiver.farm_id == farm_id, Receiver.active).order_by(Receiver.id)
        )
    )


async def digest_receiver_ids(uow: UnitOfWork) -> list[int]:
    """Return the ids of active receivers that get a digest."""
    return list(
        await uow.session.scalars(
            select(Receiver.id).where(Receiver.active, Receiver.digest_at.is_not(None)).order_by(Receiver.id)
        )
    )


async def lock_receiver(uow: UnitOfWork, receiver_id: int) -> Receiver | None:
    """Return a receiver that nobody else changes until this transaction ends; none: somebody else does.

    PostgreSQL locks the row; on SQLite the transaction already holds the only write lock.
    """
    return (
        await uow.session.scalars(
            select(Receiver)
            .where(Receiver.id == receiver_id)
            .with_for_update(skip_locked=True)
            .execution_options(populate_existing=True)
        )
    ).one_or_none()


async def first_house(uow: UnitOfWork, farm_id: int) -> House | None:
    """Return the oldest house of a farm."""
    return (
        await uow.session.scalars(select(House).where(House.farm_id == farm_id).order_by(House.id).limit(1))
    ).one_or_none()


# --------------------------------------------------------------------------- calendars


async def find_feed(uow: UnitOfWork, secret_hash: str) -> CalendarFeed | None:
    """Return the feed with this hash."""
    return (
        await uow.session.scalars(select(CalendarFeed).where(CalendarFeed.secret_hash == secret_hash))
    ).one_or_none()


async def page_feeds(
    uow: UnitOfWork, *, within_farm: int | None, after: int | None, limit: int
) -> tuple[list[CalendarFeed], int | None]:
    """Return a page of calendar feeds, revoked ones included."""
    statement = narrow(select(CalendarFeed), (CalendarFeed.farm_id, within_farm))
    return await page(uow, statement, CalendarFeed.id, after, limit)


async def tasks_since(uow: UnitOfWork, house_ids: list[int], since: date) -> list[Task]:
    """Return the tasks of houses due on a day or later."""
    return list(
        await uow.session.scalars(
            select(Task)
            .where(among(uow, Task.house_id, house_ids), Task.due_on >= since)
            .order_by(Task.due_on, Task.id)
        )
    )


async def events_since(uow: UnitOfWork, house_ids: list[int], since: date) -> list[HouseEvent]:
    """Return cleanings and closed days of houses that end on a day or later."""
    return list(
        await uow.session.scalars(
            select(HouseEvent)
            .where(
                among(uow, HouseEvent.house_id, house_ids),
                HouseEvent.kind.in_(["cleaning", "closed"]),
                HouseEvent.ends_on >= since,
            )
            .order_by(HouseEvent.starts_on, HouseEvent.id)
        )
    )


async def forecast_days(uow: UnitOfWork, batch_ids: list[int]) -> dict[tuple[int, str], ForecastDay]:
    """Return the expected days of batches, by batch and event."""
    rows = await uow.session.scalars(select(ForecastDay).where(among(uow, ForecastDay.batch_id, batch_ids)))
    return {(row.batch_id, row.event): row for row in rows}


async def live_with_days(
    uow: UnitOfWork, house_ids: list[int]
) -> list[tuple[Batch, Succession, ForecastDay]]:
    """Return the batches of houses that are not finished with each day that is expected of them."""
    rows = await uow.session.execute(
        select(Batch, Succession, ForecastDay)
        .join(Succession, Succession.id == Batch.succession_id)
        .join(ForecastDay, ForecastDay.batch_id == Batch.id)
        .where(among(uow, Batch.house_id, house_ids), Batch.stage != "finished", ForecastDay.day.is_not(None))
        .order_by(ForecastDay.day, Batch.id)
    )
    return [(batch, succession, day) for batch, succession, day in rows.all()]
